// How a weight that a balance shows stands to what a step of a run wants: under, within or over. Everything is compared exactly, in whole
// numbers: no digit of a weight becomes a binary fraction. aimAt in runaim.go says the same, and a test holds the two against each other.
import { say, shape, announce } from "./ask.js";

const words = { under: ["too little", "too-little"], within: ["within", "on-target"], over: ["too much", "too-much"] };
const BEFORE = [500n, 200n, 100n, 50n, 20n, 10n, 5n, 2n, 1n]; // as seedsBefore
const PAST = [0n, 1n, 10n]; // as seedsPast

// read gives a decimal as a whole number and how many of its digits are behind the point; null where it is none.
function read(digits) {
  const m = /^([+-]?)([0-9]{1,40})(?:\.([0-9]{1,40}))?$/.exec(digits ?? "");
  if (!m) return null;
  const behind = m[3] ?? "";
  return { n: BigInt(m[2] + behind) * (m[1] === "-" ? -1n : 1n), behind: behind.length };
}

const MOST = 40; // as mostPlaces

// round gives a whole number of so many digits behind the point as one with other many: the nearest, or the next one down or up.
function round(n, behind, places, way) {
  if (places >= behind) return n * 10n ** BigInt(places - behind);
  const unit = 10n ** BigInt(behind - places), size = n < 0n ? -n : n;
  if (way === undefined) return (n < 0n ? -1n : 1n) * ((size + unit / 2n) / unit); // halves away from nought
  const down = n >= 0n ? size / unit : -((size + unit - 1n) / unit);
  return way === "up" && down * unit !== n ? down + 1n : down;
}

// write gives a whole number of so many digits behind the point as text.
function write(n, behind) {
  const digits = String(n < 0n ? -n : n).padStart(behind + 1, "0");
  return (n < 0n ? "-" : "") + digits.slice(0, digits.length - behind) + (behind ? "." + digits.slice(-behind) : "");
}

// aimAt says how a weight stands to a target: { is, word, shape, apart, net, lit, past }, or { why }.
export function aimAt(target, factors, value) {
  if (!value || value.range !== "in" || !value.digits) return { why: "No weight to compare." };
  const size = value.unit ? factors.split(" ").find((f) => f.startsWith(value.unit + "="))?.slice(value.unit.length + 1) : undefined;
  if (size === undefined) return { why: "The balance shows " + (value.printed_unit || value.unit || "no unit") + ", and the target is in " + target.unit + ": it is not compared." };
  const all = [value.digits, size, target.offset || "0", target.wanted, target.low || target.wanted, target.high || target.wanted].map(read);
  if (all.some((d) => d === null)) return { why: "The weight cannot be compared." };
  const [shown, factor, offset, wanted, low, high] = all;
  const behind = Math.max(shown.behind + factor.behind, offset.behind, wanted.behind, low.behind, high.behind);
  const wide = (d) => d.n * 10n ** BigInt(behind - d.behind);
  let net = wide({ n: shown.n * factor.n, behind: shown.behind + factor.behind }) - wide(offset);
  if (target.removing) net = -net;
  const least = Math.max(0, shown.behind + factor.behind - (/^10+$/.test(size) ? size.length - 1 : 0));
  // To how many digits it is told how far the weight is away: as runround.go has it.
  let finest = Math.max(least, read(target.readability)?.behind ?? 0);
  const own = Math.max(wanted.behind, low.behind, high.behind);
  while (finest < own && round(wide(low), behind, finest, "up") > round(wide(high), behind, finest, "down")) finest++;
  const apart = net - wide(wanted), far = apart < 0n ? -apart : apart;
  const within = net >= wide(low) && net <= wide(high);
  while (!within && round(far, behind, finest) === 0n && finest < MOST) finest++; // what does not pass is not nothing away
  const text = write(round(far, behind, finest), finest) + " " + target.unit;
  const found = { net: write(round(net, behind, least), least) + " " + target.unit, apart: text, lit: BEFORE.length, past: 0 };
  let width = wide(high) - wide(low);
  if (width <= 0n) width = 10n ** BigInt(behind - least); // the last digit that the balance shows
  if (net < wide(low)) {
    found.is = "under";
    const missing = wide(low) - net;
    found.lit = BEFORE.filter((times) => missing <= width * times).length;
  } else if (net > wide(high)) {
    found.is = "over";
    const beyond = net - wide(high);
    found.past = PAST.filter((times) => beyond > width * times).length;
  } else {
    found.is = "within";
    const tells = round(far, behind, finest) !== 0n;
    found.apart = apart === 0n ? "exactly the target" : !tells ? "the target, to the last digit" : text + (apart > 0n ? " above the target" : " below the target");
  }
  [found.word, found.shape] = words[found.is];
  return found;
}

const CALM = 1_500; // ms between two words that are read aloud
let toldAt = 0, told = "", tellLater = 0;

// aloud has a screen reader say the word once it has stood for a moment, and not each number.
function aloud(word) {
  clearTimeout(tellLater);
  if (word === told) return;
  tellLater = setTimeout(() => {
    told = word;
    toldAt = Date.now();
    announce("Weight: " + word + ".");
  }, Math.max(500, toldAt + CALM - Date.now()));
}

// showAim writes into the page how a reading stands to the target that the page shows, where it shows one. reading null: nothing fresh comes.
export function showAim(reading) {
  const box = document.getElementById("aim");
  if (!box) { told = ""; clearTimeout(tellLater); return; }
  const a = reading ? aimAt(JSON.parse(box.dataset.target), box.dataset.factors, reading.value) : { why: "Nothing fresh comes from the balance." };
  const part = (name) => box.querySelector('[data-of="' + name + '"]');
  box.dataset.is = a.is ?? "none";
  if (part("shape").dataset.shape !== (a.shape ?? "not-said")) {
    part("shape").dataset.shape = a.shape ?? "not-said";
    part("shape").replaceChildren(shape(a.shape ?? "not-said"));
  }
  say(part("apart"), a.why ? "" : a.apart);
  say(part("word"), a.why ?? a.word);
  say(part("net"), a.why ? "–" : a.net);
  box.querySelectorAll("[data-seed]").forEach((seed, i) => seed.classList.toggle("full", !a.why && i < a.lit));
  box.querySelectorAll("[data-past]").forEach((seed, i) => seed.classList.toggle("full", !a.why && i < a.past));
  aloud(a.word ?? "not compared");
}
