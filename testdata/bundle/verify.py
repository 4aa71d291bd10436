#!/usr/bin/env python3
"""Verify a bundle of weighpost with nothing but Python's standard library.

    python3 verify.py BUNDLE.zip KEY

KEY is the journal's public key, NAME+HASH+BASE64, or a file with it, as you have it from somebody you trust. It is written from
the page "bundle" of weighpost's manual and the standards that the page names (RFC 6962, RFC 8032, C2SP signed-note and
tlog-checkpoint), and shares no code with weighpost. It prints what it found, a line each. Exit status: 0 nothing is wrong,
1 something is, 2 it could not be looked at.
"""

import base64
import hashlib
import json
import os
import re
import sys
import zipfile

# ---- Ed25519, verification alone (RFC 8032, section 5.1) ---------------------------------------------------------------------------

P = 2**255 - 19
ORDER = 2**252 + 27742317777372353535851937790883648493
D = -121665 * pow(121666, -1, P) % P
ROOT_OF_MINUS_1 = pow(2, (P - 1) // 4, P)


def decode_point(raw):
    """Section 5.1.3: 32 bytes to a point in extended coordinates, or None."""
    y = int.from_bytes(raw, "little")
    odd, y = y >> 255, y & ((1 << 255) - 1)
    if y >= P:
        return None
    square = (y * y - 1) * pow(D * y * y + 1, -1, P) % P
    x = pow(square, (P + 3) // 8, P)
    if (x * x - square) % P:
        x = x * ROOT_OF_MINUS_1 % P
    if (x * x - square) % P or (x == 0 and odd):
        return None
    if x & 1 != odd:
        x = P - x
    return x, y, 1, x * y % P


def add(a, b):
    """Section 5.1.4."""
    e = (a[1] - a[0]) * (b[1] - b[0]) % P
    f = (a[1] + a[0]) * (b[1] + b[0]) % P
    g = 2 * a[3] * b[3] * D % P
    h = 2 * a[2] * b[2] % P
    e, f, g, h = f - e, h - g, h + g, f + e
    return e * f % P, g * h % P, f * g % P, e * h % P


def times(n, point):
    total = (0, 1, 1, 0)
    while n:
        if n & 1:
            total = add(total, point)
        point, n = add(point, point), n >> 1
    return total


BASE = decode_point((4 * pow(5, -1, P) % P).to_bytes(32, "little"))


def signature_holds(key, message, signature):
    """Section 5.1.7, without the cofactor."""
    if len(key) != 32 or len(signature) != 64:
        return False
    a, r, s = decode_point(key), decode_point(signature[:32]), int.from_bytes(signature[32:], "little")
    if a is None or r is None or s >= ORDER:
        return False
    k = int.from_bytes(hashlib.sha512(signature[:32] + key + message).digest(), "little") % ORDER
    left, right = times(s, BASE), add(r, times(k, a))
    return (left[0] * right[2] - right[0] * left[2]) % P == 0 and (left[1] * right[2] - right[1] * left[2]) % P == 0


# ---- keys and signed notes (C2SP signed-note) --------------------------------------------------------------------------------------


class Wrong(Exception):
    """Something in the bundle is not as it has to be."""


def unbase64(text):
    """RFC 4648 section 4, and only as it is written."""
    try:
        raw = base64.b64decode(text, validate=True)
    except ValueError:
        raise Wrong(f"{text[:40]!r} is no base64") from None
    if base64.b64encode(raw).decode() != text:
        raise Wrong(f"{text[:40]!r} is not base64 as it is written")
    return raw


class Key:
    """A public key: NAME+HASH+BASE64 of the byte 0x01 and the 32 bytes of Ed25519."""

    def __init__(self, text):
        parts = text.strip().split("+", 2)
        if len(parts) != 3:
            raise Wrong("a key is NAME+HASH+BASE64")
        self.name, self.raw = parts[0], unbase64(parts[2])
        self.hash = hashlib.sha256(self.name.encode() + b"\n" + self.raw).digest()[:4]
        self.id = self.name + "+" + self.hash.hex()
        if self.raw[:1] != b"\x01" or len(self.raw) != 33 or parts[1] != self.hash.hex():
            raise Wrong("the key is not one of Ed25519, or was altered")

    def open(self, note):
        """The text of a note that this key signed, or None where it did not."""
        text, found, signatures = note.partition("\n\n")
        text += "\n"
        if not found or not signatures.endswith("\n"):
            raise Wrong("a signed note has an empty line, and signatures behind it")
        for line in signatures[:-1].split("\n"):
            m = re.fullmatch("\u2014 ([^ +]+) ([A-Za-z0-9+/=]+)", line)
            if not m:
                raise Wrong(f"{line[:40]!r} is no line of a signature")
            raw = unbase64(m[2])
            if m[1] == self.name and raw[:4] == self.hash:
                if not signature_holds(self.raw[1:], text.encode(), raw[4:]):
                    raise Wrong(f"the signature of {self.id} does not hold")
                return text
        return None


def follow(key, named, notes):
    """From a trusted key to the one that is named, by what each key signed for the next one."""
    at, begun = key, False
    if at.id == named.id:
        return at
    for note in notes:
        text = at.open(note)
        if text is None:
            if begun:
                raise Wrong("a change of the key does not hold")
            continue  # a change before the one that the trusted key knows of
        lines = text.split("\n")
        if len(lines) != 3 or lines[0] != "weighpost/key-rotated/1":
            raise Wrong("a note that should name the next key does not")
        at, begun = Key(lines[1]), True
        if at.id == named.id:
            return at
    raise Wrong(f"the checkpoint is signed by {named.id}, and nothing leads there from {key.id}")


def checkpoint(text):
    """C2SP tlog-checkpoint: origin, size, root."""
    lines = text.split("\n")
    if len(lines) != 4 or lines[3] or not re.fullmatch("0|[1-9][0-9]*", lines[1]):
        raise Wrong("a checkpoint has three lines: origin, size, root")
    root = unbase64(lines[2])
    if len(root) != 32:
        raise Wrong("the root of a checkpoint has 32 bytes")
    return lines[0], int(lines[1]), root


# ---- the tree (RFC 6962, section 2.1) ----------------------------------------------------------------------------------------------


def leaf_hash(entry):
    return hashlib.sha256(b"\x00" + entry).digest()


def node_hash(left, right):
    return hashlib.sha256(b"\x01" + left + right).digest()


class Growing:
    """The root of a tree that leaves are appended to."""

    def __init__(self):
        self.size, self.parts = 0, []

    def add(self, leaf):
        n = self.size
        while n & 1:
            leaf, n = node_hash(self.parts.pop(), leaf), n >> 1
        self.parts.append(leaf)
        self.size += 1

    def root(self):
        if not self.parts:
            return hashlib.sha256(b"").digest()
        h = self.parts[-1]
        for part in reversed(self.parts[:-1]):
            h = node_hash(part, h)
        return h


class Lines:
    """The lines of a part, one ahead, each ended by one line feed."""

    def __init__(self, file):
        self.file, self.count = file, 0
        self.advance()

    def advance(self):
        line = self.file.readline()
        if line and not line.endswith(b"\n"):
            raise Wrong("a part ends in the middle of a line")
        self.ahead = line[:-1] if line else None

    def take(self):
        if self.ahead is None:
            raise Wrong("a part has fewer lines than are needed")
        line = self.ahead
        self.count += 1
        self.advance()
        return line


# ---- what signatures under a run cover ---------------------------------------------------------------------------------------------

COVERED = ("run-begun", "run-step", "run-ended", "run-corrected", "run-reviewed", "signature", "weighing", "result", "late-entered")


def kind_of(entry):
    return entry["schema"].removeprefix("weighpost.").removesuffix("/1")


def run_of(entry):
    """The run that signatures cover an entry with, or None."""
    kind = kind_of(entry)
    if kind not in COVERED or kind == "run-reviewed" and entry.get("act") == "look":
        return None
    if entry.get("run"):
        return entry["run"]["id"]
    return ((entry.get("context") or {}).get("run") or {}).get("id")


class Runs:
    """Holds each signature against the entries of its run that came before it."""

    def __init__(self, say):
        self.runs, self.say = {}, say

    def take(self, raw, entry):
        run = run_of(entry)
        if not run:
            return
        r = self.runs.setdefault(run, {"begun": False, "tree": Growing(), "roots": [], "waits": None})
        r["begun"] |= kind_of(entry) == "run-begun"
        if r["waits"]:
            self.act(r.pop("waits"), entry)
        r["waits"] = None
        if kind_of(entry) == "signature":
            self.signature(run, r, entry)
        r["tree"].add(leaf_hash(raw))
        # Only weighings may come between what a signature covers and the signature.
        between = kind_of(entry) in ("weighing", "result", "late-entered")
        r["roots"] = (r["roots"][-63:] if between else []) + [(r["tree"].size, entry["seq"], "sha256:" + r["tree"].root().hex())]

    def signature(self, run, r, entry):
        who = f"the signature of {entry['name']!r} in entry {entry['seq']}, meaning {entry['meaning']},"
        if not r["begun"]:
            self.say("not shown", f"what {who} covers: its run began before these entries")
            return
        covers = entry["covers"]
        if (covers["entries"], covers["last"], covers["root"]) not in r["roots"]:
            raise Wrong(f"{who} does not cover the entries before it: one was altered, left out or added, or it was moved here")
        by = entry["by"]
        if entry["name"] != (by.get("name") or by["id"]) or entry.get("role", "") != by.get("role", ""):
            raise Wrong(f"{who} prints another name or role than that of whoever signed")
        tail = f"Meaning: {entry['meaning']}. "
        lines = entry["statement"].split("\n")
        if f"Run: {run}" not in lines or not any(line.startswith(tail) for line in lines) or \
                f"Covers: {covers['entries']} entries up to number {covers['last']} of the journal, root {covers['root']}" not in lines:
            raise Wrong(f"{who} has a statement that is not of what it covers")
        r["waits"] = entry
        self.say("shown", f"{who} covers exactly the {covers['entries']} entries of {run} before it")

    def act(self, signature, entry):
        ref = entry.get("signature") or {}
        if kind_of(entry) != "run-reviewed" or entry["seq"] != signature["seq"] + 1 or ref.get("id") != signature["id"] or \
                entry["by"]["id"] != signature["by"]["id"]:
            raise Wrong(f"the act that the signature in entry {signature['seq']} was given with does not follow it")

    def end(self, last):
        for r in self.runs.values():
            if r["waits"] and r["waits"]["seq"] < last:
                raise Wrong(f"the act that the signature in entry {r['waits']['seq']} was given with does not follow it")


# ---- the bundle --------------------------------------------------------------------------------------------------------------------

PARTS = re.compile(r"README\.txt|bundle\.json|entries\.ndjson|tree\.txt|checkpoint\.txt|checkpoints\.ndjson|key\.txt|report\.html|SHA256SUMS|"
                   r"keys/[0-9]{4}\.note|schemas/[a-z0-9-]+\.schema\.json|kept/[0-9a-f]{64}")


def names_run(value, run, path=()):
    """Whether a value holds the id of a run under "run", or under "id" below "run"."""
    if isinstance(value, dict):
        return any(names_run(v, run, path + (k,)) for k, v in value.items())
    if isinstance(value, list):
        return any(names_run(v, run, path) for v in value)
    return value == run and (path[-1:] == ("run",) or path[-2:] == ("run", "id"))


class Bundle:
    def __init__(self, archive, key):
        self.zip, self.key, self.findings = archive, key, []
        self.own, self.own_ids, self.end, self.kept = 0, set(), None, set()

    def say(self, mark, text):
        self.findings.append((mark, text))

    def read(self, name):
        return self.zip.read(name)

    def verify(self):
        self.sums()
        self.about = about = json.loads(self.read("bundle.json"))
        if about["schema"] != "weighpost.bundle/1":
            raise Wrong("this is another form of bundle than the manual describes")
        self.checkpoint()
        self.entries()
        self.run_is_whole()
        self.kept_files()
        if about["of"] != "run" and about["entries"] != about["last"] - about["first"] + 1 or \
                about["of"] == "all" and (about["first"], about["last"]) != (1, about["size"]):
            raise Wrong("bundle.json says that a span is whole, and its numbers do not")

    def sums(self):
        """SHA256SUMS lists every other part, in their order."""
        names = self.zip.namelist()
        if len(set(names)) != len(names) or not all(PARTS.fullmatch(n) for n in names):
            raise Wrong("it holds a part twice, or one that no bundle has")
        told = ""
        for name in names:
            if name == "SHA256SUMS":
                continue
            sum_ = hashlib.sha256()
            with self.zip.open(name) as f:
                while block := f.read(1 << 20):
                    sum_.update(block)
            told += f"{sum_.hexdigest()}  {name}\n"
        if told != self.read("SHA256SUMS").decode():
            raise Wrong("a part is not the one that SHA256SUMS is of, or SHA256SUMS lists others")
        self.say("shown", f"all {len(names) - 1} parts have the sums that stand in SHA256SUMS")

    def checkpoint(self):
        notes = sorted(n for n in self.zip.namelist() if n.startswith("keys/"))
        signer = follow(self.key, Key(self.read("key.txt").decode()), [self.read(n).decode() for n in notes])
        text = signer.open(self.read("checkpoint.txt").decode())
        if text is None:
            raise Wrong(f"the checkpoint is not signed by {signer.id}")
        origin, self.size, self.root = checkpoint(text)
        about = self.about
        if origin != signer.name or (about["origin"], about["size"], about["key"]) != (origin, self.size, signer.id) or \
                origin != f"weighpost/{about['site']}/{about['incarnation']}":
            raise Wrong("bundle.json is of another checkpoint")
        self.say("shown", f"the checkpoint of the journal's first {self.size} entries is signed by {signer.id}")

    def entries(self):
        """One walk over the tree, from left to right."""
        runs, about = Runs(self.say), self.about
        with self.zip.open("entries.ndjson") as f, self.zip.open("tree.txt") as t:
            self.lines, self.tree, self.seq = Lines(f), Lines(t), 0
            self.earlier, self.growing = None, Growing()
            if ("checkpoints.ndjson" in self.zip.namelist()) != (about["of"] == "all"):
                raise Wrong("the earlier checkpoints belong to a bundle of all entries, and to no other")
            if about["of"] == "all":
                self.earlier = Lines(self.zip.open("checkpoints.ndjson"))
            self.runs = runs
            root = self.walk(0, self.size)
            if self.lines.ahead is not None or self.tree.ahead is not None:
                raise Wrong("there are more entries, or more hashes, than the tree has room for")
            if root != self.root:
                raise Wrong("the entries are not those that were signed: one was altered, added, moved or left out")
            if self.lines.count != about["entries"] or self.seq != about["last"]:
                raise Wrong("bundle.json counts other entries than there are")
            if self.earlier and self.earlier.ahead is not None:
                raise Wrong("there is a checkpoint of more entries than there are")
        runs.end(about["last"])
        self.say("shown", f"{about['entries']} entries were in the journal with exactly these bytes when the checkpoint was signed")
        if self.earlier:
            self.say("shown", f"{self.earlier.count} earlier checkpoints are of these entries")

    def next_leaf(self):
        """The next leaf that is inside, from 0; infinite: none."""
        if self.lines.ahead is None:
            return float("inf")
        return json.loads(self.lines.ahead)["seq"] - 1

    def walk(self, lo, hi):
        if self.next_leaf() >= hi:
            h = unbase64(self.tree.take().decode())
            if len(h) != 32:
                raise Wrong("a hash in tree.txt has not 32 bytes")
            return h
        if hi - lo == 1:
            return self.leaf(lo)
        k = 1 << (hi - lo - 1).bit_length() - 1  # the largest power of two smaller than the number of leaves
        left = self.walk(lo, lo + k)
        return node_hash(left, self.walk(lo + k, hi))

    def leaf(self, index):
        raw = self.lines.take()
        entry = json.loads(raw)
        if entry["seq"] != index + 1 or entry["seq"] <= self.seq:
            raise Wrong(f"entry {entry['seq']} stands at another place")
        if self.lines.count == 1 and entry["seq"] != self.about["first"]:
            raise Wrong("bundle.json begins with another entry")
        self.seq = entry["seq"]
        self.runs.take(raw, entry)
        self.look(entry)
        if self.earlier:
            self.growing.add(leaf_hash(raw))
            if self.earlier.ahead is not None:
                note = json.loads(self.earlier.ahead)["note"]
                _, size, root = checkpoint(note.partition("\n\n")[0] + "\n")
                if size == self.growing.size:
                    self.earlier.take()
                    if root != self.growing.root():
                        raise Wrong(f"the earlier checkpoint of {size} entries is of others")
        return leaf_hash(raw)

    def look(self, entry):
        about = self.about
        if about["of"] == "run" and names_run(entry, about["run"]):
            self.own += 1
            self.own_ids.add(entry["id"])
            if kind_of(entry) == "run-ended":
                self.end = entry
        kept = [((entry.get("weight") or {}).get("certificate") or {}).get("file"), (entry.get("calibration") or {}).get("file"),
                entry.get("picture")] if kind_of(entry) in ("weight-changed", "upkeep", "late-entered") else []
        if kind_of(entry) == "check-ended":
            kept += [(w.get("certificate") or {}).get("file") for w in entry.get("weights") or []]
        if kind_of(entry) == "report-issued":
            kept.append({"sha256": entry["sum"]})
        self.kept |= {f["sha256"] for f in kept if f}

    def run_is_whole(self):
        about = self.about
        if about["of"] != "run":
            return
        if self.own != about.get("own", 0):
            raise Wrong("bundle.json counts other entries of the run than there are")
        self.say("not shown", f"that nothing was added to the run after entry {about['last']}")
        if not self.end:
            self.say("not shown", "that no entry of the run is missing: it has not ended")
            return
        for ref in [self.end["begun"]] + (self.end["steps"] or []) + (self.end["weighings"] or []) + (self.end["unused"] or []):
            if ref["id"] not in self.own_ids:
                raise Wrong(f"the entry {ref['id']}, which the end of the run names, is missing")

    def kept_files(self):
        there = {n[5:] for n in self.zip.namelist() if n.startswith("kept/")}
        for sum_ in there:
            if hashlib.sha256(self.read("kept/" + sum_)).hexdigest() != sum_ or sum_ not in self.kept:
                raise Wrong(f"the kept file {sum_} is not one that an entry names")
        for sum_ in self.kept - there:
            if not any(sum_ in text for text in self.about["not_held"]):
                raise Wrong(f"the kept file {sum_}, which an entry names, is missing")


def main(arguments):
    if len(arguments) != 2:
        print(__doc__, file=sys.stderr)
        return 2
    name, key = arguments
    try:
        if os.path.exists(key):
            with open(key, encoding="utf-8") as f:
                key = f.read()
        key = Key(key)
        archive = zipfile.ZipFile(name)
    except (OSError, zipfile.BadZipFile, Wrong) as e:
        print(f"cannot be looked at: {e}", file=sys.stderr)
        return 2
    bundle = Bundle(archive, key)
    fault = None
    try:
        bundle.verify()
    except Wrong as e:
        fault = str(e)
    except Exception as e:  # whatever else hostile bytes bring about
        fault = f"it is not as the manual has it: {type(e).__name__} {e}"
    for mark, text in bundle.findings:
        print(f"{mark}: {text}")
    if fault:
        print(f"fault: {fault}")
        return 1
    print("no fault was found")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
