// What a balance shows, written into a page: in the words of weightOf in now.go.
import { say, make, shape } from "./ask.js";

export const OLD = 10_000; // ms after which a weight is called old: as oldAfter in now.go

// quantity is a value as one text: digits as printed, and the unit.
export const quantity = (v) => (v.range === "in" ? [v.digits, v.printed_unit || v.unit].filter(Boolean).join(" ") : v.range + " range");

const looks = { stable: ["at-rest", "settled"], unstable: ["moving", "moving"], unknown: ["not-said", "stability not said"] };

// writeWeight writes a reading into its places: the elements weight, digits, unit and rest. What stands in restShown was written last.
export function writeWeight(places, reading) {
  const v = reading.value;
  const plain = v && v.range === "in" && v.digits;
  say(places.digits, plain ? v.digits : reading.unread ? "A frame that cannot be read" : v?.range === "over" ? "Over range" : v?.range === "under" ? "Under range" : "No weight in this frame");
  say(places.unit, plain ? v.printed_unit || v.unit || "" : "");
  places.weight.classList.toggle("words", !plain);
  places.weight.classList.toggle("long", Boolean(plain && v.digits.length > 9));
  const stability = plain ? v.stability : "";
  const all = stability + (plain ? v.kind : "");
  if (places.restShown === all) return;
  places.restShown = all;
  const look = looks[stability];
  places.rest.className = "rest " + stability;
  places.rest.replaceChildren(...(look ? [shape(look[0]), make("span", "", look[1] + (v.kind !== "unknown" ? ", " + v.kind : ""))] : []));
}
