#!/usr/bin/env python3
"""Writes the recorded streams of this folder and what each must read as.

Nothing here calls weighpost. Each case knows its weights first, prints them with the few lines of formatting that stand in
the case, and writes down as the expectation what it knew. Check characters come from the functions below. Only the wording
of a refusal is weighpost's own: where NAME.readings.ndjson already has a sentence for a refused frame, it is kept, and a
new one says "?" until `go test ./cmd/weighpost -run Streams -update` has filled it in and someone has read it. After that,
running this script again must change nothing.

All balances, lots and layouts are made up.
"""
import base64
import json
import os
import random

HERE = os.path.dirname(os.path.abspath(__file__))
ORIGIN = "made up, printed by generate.py, which knew the weights before it printed them; no balance sent these bytes"


class Case:
    all = []

    def __init__(self, name, why, settings="9600 8N1", layout=None, config=None):
        self.name, self.why, self.settings, self.layout, self.config = name, why, settings, layout, config
        self.stream, self.lines = b"", []
        Case.all.append(self)

    def skip(self, raw):
        """Bytes that make no frame: blank ones."""
        self.stream += raw

    def frame(self, raw, **keys):
        line = {"n": len(self.lines) + 1, "offset": len(self.stream), "frame": base64.b64encode(raw).decode()}
        line.update({k: v for k, v in keys.items() if v not in ("", None)})
        self.lines.append(line)
        self.stream += raw

    def refused(self, raw):
        self.frame(raw, unread="?")

    def write(self):
        path = os.path.join(HERE, self.name)
        head = {"from": ORIGIN, "settings": self.settings, "why": self.why, "expected": "by generate.py from its own values"}
        if self.config:
            head["layout"] = "configs/layouts/" + self.config
        else:
            with open(path + ".layout.yaml", "w", encoding="utf-8", newline="\n") as f:
                f.write(self.layout.lstrip("\n"))
        known = {}
        if os.path.exists(path + ".readings.ndjson"):
            with open(path + ".readings.ndjson", encoding="utf-8") as f:
                for text in f.read().splitlines()[1:]:
                    line = json.loads(text)
                    if "unread" in line:
                        known[line["offset"], line["frame"]] = line["unread"]
        for line in self.lines:
            if "unread" in line:
                line["unread"] = known.get((line["offset"], line["frame"]), "?")
        with open(path + ".bytes", "wb") as f:
            f.write(self.stream)
        with open(path + ".readings.ndjson", "w", encoding="utf-8", newline="\n") as f:
            for line in [head] + self.lines:
                f.write(json.dumps(line, ensure_ascii=False, separators=(",", ":")) + "\n")


def value(digits, unit, printed, kind="unknown", stability="unknown", range="in", auxiliary=0):
    v = {"digits": digits, "unit": unit, "printed_unit": printed}
    v = {k: x for k, x in v.items() if x}
    v.update(kind=kind, stability=stability, range=range, auxiliary_digits=auxiliary)
    return v


# The balances' own ways of writing a number.
def comma(d):
    return d.replace(".", ",")


def grouped(d, by):
    whole, point, rest = d.partition(".")
    out = ""
    while len(whole) > 3:
        out, whole = by + whole[-3:] + out, whole[:-3]
    return whole + out + point + rest


def sign_apart(d, width):
    """The sign in the first column, the digits to the right."""
    if d[0] in "+-":
        return d[0] + d[1:].rjust(width - 1)
    return d.rjust(width)


# Check characters, written from their definitions.
def xor(b):
    x = 0
    for c in b:
        x ^= c
    return x


def crc16(b, poly, init, reflected):
    crc = init
    for c in b:
        if reflected:
            crc ^= c
            for _ in range(8):
                crc = crc >> 1 ^ (poly if crc & 1 else 0)
        else:
            crc ^= c << 8
            for _ in range(8):
                crc = (crc << 1 ^ (poly if crc & 0x8000 else 0)) & 0xFFFF
    return crc


def modbus(b):
    return crc16(b, 0xA001, 0xFFFF, True)


def xmodem(b):
    return crc16(b, 0x1021, 0, False)


assert modbus(b"123456789") == 0x4B37 and xmodem(b"123456789") == 0x31C3  # the public CRC catalogue's check values


def bench_net_grams():
    c = Case("bench-net-grams", "point, grams, sign apart from the digits, four kinds, over and under range, noise",
             config="bench-net-grams.yaml")
    words = {"net": "seed", "gross": "all", "tare": "tray", "preset tare": "known tray"}
    for kind, digits, stable in [("net", "+12.3450", True), ("net", "-0.0003", True), ("gross", "+112.0310", False),
                                 ("tare", "99.6860", True), ("preset tare", "5.0000", True), ("net", "-0.0000", False),
                                 ("net", "+0.5000", True)]:
        line = f"{'rests' if stable else 'sways'} | {sign_apart(digits, 11)} g  | {words[kind]}\r\n"
        c.frame(line.encode(), value=value(digits, "g", "g", kind, "stable" if stable else "unstable"))
    c.frame(b"sways |   too heavy g  | seed\r\n", value=value("", "g", "g", "net", "unstable", "over"))
    c.frame(b"rests | pan lifted     | all\r\n", value=value("", "", "", "gross", "stable", "under"))
    c.refused(b"rests | +   12.3450 g  | chaff\r\n")
    c.refused(b"rests | +   12.3450 g  | seed!\r\n")
    c.refused(b"rests | +   12.3450 g  |\r\n")
    c.refused(b"rests | +   12.34\xff0 g  | seed\r\n")
    c.refused(b"rests | +    12.345 g  | seed\r\n")
    c.refused(b"rests | +    123450 g  | seed\r\n")
    c.skip(b"\r\n")
    c.frame(b"rests | +   12.3460 g  | seed\r\n", value=value("+12.3460", "g", "g", "net", "stable"))
    c.refused(b"rests | +   12.3470 g  ")


def micro_comma_milligrams():
    c = Case("micro-comma-milligrams", "unit first, comma, milligrams, groups of three, unit missing while unstable, half a line at the start",
             "4800 7E1", config="micro-comma-milligrams.yaml")
    c.refused(b"  234,56>\r\n")
    for i, (digits, stable) in enumerate([("+1234.56", False), ("+1234.57", True), ("-0.01", True), ("999.99", True), ("12345.60", True)]):
        line = f"{'mg' if stable else '  '} <{sign_apart(comma(grouped(digits, ' ')), 12)}>"
        c.frame(line.encode() + (b"\r\n", b"\n")[i % 2],
                value=value(digits, "mg", "mg" if stable else "", "unknown", "stable" if stable else "unstable"))
    c.frame(f"   <{'trop lourd':>12}>\r\n".encode(), value=value("", "", "", range="over"))
    c.frame(f"mg <{'plateau vide':>12}>\r\n".encode(), value=value("", "mg", "mg", "unknown", "unknown", "under"))
    for bad in ["1 23,45", "12 34,56", "1234 567,00", "1.234,56", "12,34,56", "12.34", "1  234,56", "+ -1,00"]:
        c.refused(f"mg <{bad:>12}>\r\n".encode())


def platform_words():
    c = Case("platform-words-kilograms", "words of another language in code page 850, CR alone ends a line, a line that only says over",
             "2400 7O1", config="platform-words-kilograms.yaml")
    stabilities = {"lepää": "stable", "heiluu": "unstable"}
    kinds = {"siemen": "net", "säkissä": "gross", "säkki": "tare"}
    for stab, kind, digits in [("lepää", "siemen", "12.350"), ("heiluu", "säkissä", "25.000"), ("lepää", "säkki", "-0.005")]:
        line = f"{kind}: {comma(digits):>8} kg ({stab})\r"
        c.frame(line.encode("cp850"), value=value(digits, "kg", "kg", kinds[kind], stabilities[stab]))
    c.frame(b"liian raskas\r", value=value("", "", "", range="over"))
    c.frame(b"   liian kevyt  \r", value=value("", "", "", range="under"))
    c.refused("siemen:   25,000 kg (lepää)\r".encode("latin-1"))
    c.refused("siemen:   25,000 kg (lepää)\r".encode("utf-8"))
    c.refused("sieme:   12,350 kg (lepää)\r".encode("cp850"))


def print_block():
    c = Case("print-block-sample", "a print block with header, lot and net weight; blocks that lack a line or hold a strange one",
             config="print-block-sample.yaml")

    def block(net, lot="TRIF-2026-0117", date="25.11.2026", extra="", dated=True):
        out = "seed bank, accession room, balance 07\r\n"
        if dated:
            out += f"weighed {date}, 10:04:05\r\n"
        if lot:
            out += f"lot: {lot}\r\n"
        return (out + f"in the tray ... 112.0310 g\r\ntray .......... 99.6860 g\r\n{extra}seed .......... {net} g\r\n").encode()

    net = lambda digits: value(digits, "g", "g", "net", "stable")
    c.frame(block("12.3450"), value=net("12.3450"), sample="TRIF-2026-0117", balance="07", printed_date="2026-11-25", printed_time="10:04:05")
    c.skip(b"\r\n\r\n")
    c.frame(block("0.5000", lot="RYE 12 / B"), value=net("0.5000"), sample="RYE 12 / B", balance="07", printed_date="2026-11-25",
            printed_time="10:04:05")
    c.frame(block("-0.0010", lot="", dated=False), value=net("-0.0010"), balance="07")
    c.refused(block("12.3450", date="31.11.2026"))
    c.refused(block("12.3450", extra="moisture ...... 8.1 %\r\n"))
    c.refused(block("12.34.5"))
    c.refused(b"lot: TRIF-2026-0118\r\n")
    c.frame(block("7.0000", lot="OAT-9"), value=net("7.0000"), sample="OAT-9", balance="07", printed_date="2026-11-25", printed_time="10:04:05")


def print_line_person():
    c = Case("print-line-person", "who weighs and which lot in the line of the weight; lines in which the id is missing, damaged or too long",
             config="print-line-person.yaml")

    def line(digits, person, lot, word="rest"):
        return f"{word} {digits:>10} g | by {person:<6} | lot {lot}\r\n".encode("latin-1")

    known = lambda digits, stab="stable": value(digits, "g", "g", "unknown", stab)
    c.frame(line("12.3450", "k07", "TRIF-2026-0117"), value=known("12.3450"), person="k07", sample="TRIF-2026-0117")
    c.frame(line("-0.0010", "k07", "RYE 12", "sway"), value=known("-0.0010", "unstable"), person="k07", sample="RYE 12")
    c.frame(line("0.5000", "night", "OAT-9"), value=known("0.5000"), person="night", sample="OAT-9")
    c.frame(line("0.5000", "KÜ 12b", "OAT-9"), value=known("0.5000"), person="KÜ 12b", sample="OAT-9")
    c.frame(line("0.5000", "  0017", "OAT-9"), value=known("0.5000"), person="0017", sample="OAT-9")
    c.frame(line("7.0000", "", "OAT-9"), value=known("7.0000"), sample="OAT-9")
    c.refused(line("7.0000", "k0712345", "OAT-9"))
    c.refused(line("7.0000", "k\x0707", "OAT-9"))
    c.frame(line("7.0000", "k07", ""), value=known("7.0000"), person="k07")
    c.refused(b"rest     7.0000 g | by k07    | lot\r\n")
    c.refused(b"rest     7.0000 g | by k07\r\n")


def settling():
    c = Case("stream-settling", "a continuous stream that begins in the middle of a line, settles, is overloaded and settles again",
             "9600 8N1, ten lines a second", config="stream-settling.yaml")
    rnd = random.Random(20261125)
    c.refused(b" 12.3450] g  =\r\n")

    def load(target, n, steady):
        ten_thousandths = target - 40000
        for i in range(n):
            ten_thousandths += (target - ten_thousandths) // 2 if i < n - steady else 0
            if i >= n - steady:
                ten_thousandths = target
            shown = ten_thousandths + (rnd.randint(-9, 9) if i < n - steady else 0)
            sign, a = ("-" if shown < 0 else ""), abs(shown)
            digits = f"{sign}{a // 10000}.{a % 10000:04d}"
            mark = "=" if i >= n - steady else "~"
            c.frame(f"[{digits:>10}] g  {mark}\r\n".encode(), value=value(digits, "g", "g", "unknown", "stable" if mark == "=" else "unstable"))

    load(123450, 25, 8)
    for _ in range(3):
        c.frame(b"[ too heavy]    ~\r\n", value=value("", "", "", "unknown", "unstable", "over"))
    load(5000, 15, 5)
    c.frame(b"[pan lifted] g  ~\r\n", value=value("", "g", "g", "unknown", "unstable", "under"))
    c.refused(b"[     12.3")


def checked_telegram():
    c = Case("checked-telegram", "exclusive or after ETX, ETX covered; a flipped bit, a wrong check, a telegram without beginning",
             config="checked-telegram.yaml")

    def telegram(body, check=None):
        covered = body.encode() + b"\x03"
        return b"\x02" + covered + (b"%02X" % xor(covered) if check is None else check)

    for stab, kind, digits in [("rest", "lot", "12.3450"), ("sway", "lot", "-3.1000"), ("rest", "full", "200.0000")]:
        v = value(digits, "g", "g", {"lot": "net", "full": "gross"}[kind], {"rest": "stable", "sway": "unstable"}[stab])
        c.frame(telegram(f"{digits:>9} g   {stab:<4} {kind:<4}"), value=v, check="ok")
        c.skip(b"\r\n")
    good = telegram("  12.3450 g   rest lot ")
    c.refused(good.replace(b"12.3450", b"12.3451"))
    c.skip(b"\r\n")
    c.refused(telegram("  12.3450 g   rest lot ", b"00"))
    c.skip(b"\r\n")
    c.refused(telegram("  12.3450 g   rest lot ", b"G0"))
    c.skip(b"\r\n")
    c.refused(telegram("  12.3450 kgg rest lot "))
    c.skip(b"\r\n")
    c.frame(good, value=value("12.3450", "g", "g", "net", "stable"), check="ok")


def counting():
    c = Case("counting-pieces", "pieces and percent are results; the weight beside them is a value", config="counting-pieces.yaml")
    c.frame(b"    1250 pcs\r\n", result=value("1250", "", "pcs", stability="stable"), count="1250")
    c.frame(b" 38.4520 g\r\n", value=value("38.4520", "g", "g", stability="stable"))
    c.frame(b"    98.7 %\r\n", result=value("98.7", "%", "%", stability="stable"))
    c.refused(b"    98.7\r\n")
    c.refused(b"    98.7 bags\r\n")
    c.refused(b"    98.7 g 3\r\n")


def verified_brackets():
    c = Case("verified-brackets", "auxiliary digits in brackets, apostrophe grouping, number of the range", "19200 8N1",
             config="verified-brackets.yaml")
    for rng, kind, shown, digits, aux, stable in [
            ("1", "seed", "1'234.5[6]", "1234.56", 1, True), ("2", "all", "12'345.[0]", "12345.0", 1, False),
            ("1", "seed", "-0.[00]", "-0.00", 2, True), ("1", "seed", "12.34", "12.34", 0, True), ("1", "seed", "1'234'567.8", "1234567.8", 0, True),
            ("1", "seed", "123[4]", "1234", 1, True)]:
        line = f"range {rng}, {kind}: {shown:>11} g, {'rests' if stable else 'sways'}\r\n"
        c.frame(line.encode(), value=value(digits, "g", "g", {"seed": "net", "all": "gross"}[kind], "stable" if stable else "unstable", "in", aux),
                range_number=rng)
    for bad in ["1'234.[5]6", "12[]", "[12]", "1[2][3]", "1'23.4", "12.3[4", "12.3[4]]"]:
        c.refused(f"range 1, seed: {bad:>11} g, rests\r\n".encode())


def latin1_micrograms():
    c = Case("latin1-micrograms", "the micro sign and accented words in Latin-1", layout='''
code_page: latin-1
line: "{kind} {weight} {unit} {stability}"
kind: {"poids net": net, "poids brut": gross}
stability: {"établi": stable, "agité": unstable}
weight: {decimal: comma}
''')
    for word, kind, digits, stab in [("poids net", "net", "123.4", "établi"), ("poids brut", "gross", "+0.5", "agité")]:
        c.frame(f"{word}  {comma(digits)} µg {stab}\r\n".encode("latin-1"),
                value=value(digits, "ug", "µg", kind, {"établi": "stable", "agité": "unstable"}[stab]))
    c.refused("poids net  12,3 µg établi\r\n".encode("utf-8"))
    c.refused("poids  12,3 µg établi\r\n".encode("latin-1"))


def cp437_micrograms():
    c = Case("cp437-micrograms", "the micro sign of code page 437 is byte E6, which is another letter elsewhere", layout='''
code_page: cp437
line: "{weight 9} {unit 2} Gefäß {sample}"
''')
    for digits, sample in [("12.345", "F-Ü 9"), ("-0.001", "Möhre")]:
        c.frame(f"{digits:>9} µg Gefäß {sample}\r\n".encode("cp437"), value=value(digits, "ug", "µg"), sample=sample)
    c.refused(b"   12.345 \xb5g Gef\x84\xe1 9\r\n")


def utf8_words():
    c = Case("utf8-words", "words and a lot in UTF-8; bytes that are no UTF-8 are refused", layout='''
line: "{kind} {weight} {unit}; {sample}"
kind: {"нетто": net, "брутто": gross}
unit:
  words: {"г": g, "кг": kg}
''')
    c.frame("нетто 12.5 г; Рожь 7\r\n".encode(), value=value("12.5", "g", "г", "net"), sample="Рожь 7")
    c.frame("брутто 0.125 кг; \r\n".encode(), value=value("0.125", "kg", "кг", "gross"))
    c.refused("нетто 12.5 г; Рожь".encode()[:-1] + b"\r\n")
    c.refused("нетто １２.5 г; Рожь\r\n".encode())
    c.refused("нетто ١٢ г; Рожь\r\n".encode())


def trailing_sign():
    c = Case("trailing-sign", "the sign stands after the digits", layout='''
line: "{weight 10}{unit 3}"
weight: {sign: trailing}
''')
    for shown, digits in [("12.34-", "-12.34"), ("12.34+", "+12.34"), ("12.34", "12.34"), ("0.00-", "-0.00")]:
        c.frame(f"{shown:>10} g \r\n".encode(), value=value(digits, "g", "g"))
    for bad in ["-12.34", "-12.34-", "12.34 -", "-"]:
        c.refused(f"{bad:>10} g \r\n".encode())


def leading_zeros():
    c = Case("leading-zeros", "no blanks at all: word, sign, leading zeros and unit stand side by side", layout='''
line: "{stability}{weight}{unit}"
stability: {still: stable, sways: unstable}
''')
    for stab, digits, unit in [("still", "+00012.30", "g"), ("sways", "-00000.01", "g"), ("still", "000000.00", "kg"), ("still", ".5", "g"), ("still", "12.", "g")]:
        c.frame(f"{stab}{digits}{unit}\r\n".encode(), value=value(digits, unit, unit, "unknown", {"still": "stable", "sways": "unstable"}[stab]))
    for bad in ["still+-12.3g", "still12.3", "12.3g", "still12.3gg", "still1234567890123456789g", "still12 .3g"]:
        c.refused(bad.encode() + b"\r\n")


def point_groups():
    c = Case("point-groups-comma-decimals", "grouping by points with decimal comma: 1.234,5 is twelve hundred and not one", layout='''
line: "{weight} {unit}"
weight: {decimal: comma, grouping: point}
''')
    for digits in ["1234.5", "-12345.67", "1234567", "0.001", "12"]:
        c.frame(comma(grouped(digits, "\0")).replace("\0", ".").encode() + b" g\r\n", value=value(digits, "g", "g"))
    for bad in ["1,234.5 g", "12.34 g", "1.2345,6 g", "1.234.56,7 g", "1.234,5,6 g", ".234,5 g"]:
        c.refused(bad.encode() + b"\r\n")


def unit_always():
    c = Case("unit-always", "a balance that prints no unit: the layout states it", layout='''
line: "{weight}"
unit: {always: "[oz_tr]"}
''')
    c.frame(b"  12.345\r\n", value=value("12.345", "[oz_tr]", ""))
    c.frame(b"-0.5  \r\n", value=value("-0.5", "[oz_tr]", ""))
    c.refused(b"12.345 g\r\n")


def ambiguous_units():
    c = Case("ambiguous-units", "oz, lb, gr, t and ct mean different things to different people: refused, not guessed", layout='''
line: "{weight} {unit}"
''')
    for symbol in ["oz", "lb", "gr", "t", "ct", "kt"]:
        c.refused(f"12.34 {symbol}\r\n".encode())
    c.frame(b"12.34 ozt\r\n", value=value("12.34", "[oz_tr]", "ozt"))
    c.refused(b"12.34 kgf\r\n")
    c.refused(b"12.34 N\r\n")
    c.refused(b"12.34 G\r\n")


def named_units():
    c = Case("named-units", "the layout says what its symbols mean, one of two words and one without a UCUM code among them", layout='''
line: "{weight} {unit} {stability}"
stability: {"": unstable, rests: stable}
unit:
  words: {oz: "[oz_av]", lb: "[lb_av]", "troy oz": "[oz_tr]", G: g, mo: momme}
''')
    for symbol, code in [("oz", "[oz_av]"), ("lb", "[lb_av]"), ("troy oz", "[oz_tr]"), ("G", "g"), ("mo", ""), ("kg", "kg")]:
        c.frame(f"12.34 {symbol}  rests\r\n".encode(), value=value("12.34", code, symbol, "unknown", "stable"))
        c.frame(f"12.34 {symbol}\r\n".encode(), value=value("12.34", code, symbol, "unknown", "unstable"))
    c.refused(b"12.34 troy rests\r\n")
    c.refused(b"12.34 oz US\r\n")


def odd_numbers():
    c = Case("odd-numbers", "whatever is not exactly one number is refused", layout='''
line: "{weight} {unit}"
''')
    for bad in ["1.2.3", "12..3", "1,2", "1,234.5", "12.3.", "1 2.3", "12O.3", "0x12", "1e3", "--1", "+-1", "- 1", "1-", "+", ".", "-.",
                "１２.3", "12.3\x00", "\x0012.3", "1'234", "[12]", "1234567890.123456789", "NaN", "inf", ""]:
        c.refused(bad.encode() + b" g\r\n")
    for digits in ["1", "+1", "-1", "1.0", "00", "123456789012345678", "0.00000000000000001"]:
        c.frame(digits.encode() + b" g\r\n", value=value(digits, "g", "g"))


def xor_in_line():
    c = Case("xor-in-line", "the check stands in the line and covers a part of it, told by marks", layout='''
line: "#{from}{balance 2},{weight 9},{unit 2}{to};{check}"
check: {sum: xor}
''')
    for digits in ["12.3450", "-0.0001"]:
        part = f"07,{digits:>9},g "
        c.frame(f"#{part};{xor(part.encode()):02X}\r\n".encode(), value=value(digits, "g", "g"), balance="07", check="ok")
    part = "07,  12.3450,g "
    c.frame(f"#{part};{xor(part.encode()):02x}\r\n".encode(), value=value("12.3450", "g", "g"), balance="07", check="ok")
    c.refused(f"#{part};{xor(part.encode()) ^ 1:02X}\r\n".encode())
    c.refused(f"#08,  12.3450,g ;{xor(part.encode()):02X}\r\n".encode())
    c.refused(f"#{part};\r\n".encode())
    c.refused(f"#{part}\r\n".encode())


def sum_decimal():
    c = Case("sum-decimal", "a sum modulo 256 in three decimal digits, start byte covered", layout='''
frame: {start: "\\x02"}
line: "{weight 9} {unit 2} {check}"
check: {sum: sum8, written: decimal, covers_start: true}
''')
    for digits in ["12.345", "0.001", "99999.99"]:
        body = f"\x02{digits:>9} g  ".encode()
        c.frame(body + b"%03d\r\n" % (sum(body) % 256), value=value(digits, "g", "g"), check="ok")
    body = b"\x02   12.345 g  "
    c.refused(body + b"%03d\r\n" % ((sum(body) + 1) % 256))
    c.refused(body + b"%03d\r\n" % (sum(body[1:]) % 256))
    c.refused(body + b"999\r\n")


def twos_complement_raw():
    c = Case("twos-complement-raw", "one raw byte that brings the sum to nought, whatever byte that is", layout='''
frame: {start: "\\x02", end: "\\x03"}
line: "{weight 9} {unit 2}"
check: {sum: sum8-twos, written: raw, after_end: true, covers_start: true, covers_end: true}
''')
    for digits in ["12.345", "0.001", "-5.55", "7.7", "8.81"]:
        body = f"\x02{digits:>9} g \x03".encode()
        c.frame(body + bytes([-sum(body) % 256]), value=value(digits, "g", "g"), check="ok")
    body = b"\x02   12.345 g \x03"
    c.refused(body + bytes([(-sum(body) + 1) % 256]))


def crc_modbus_raw():
    c = Case("crc-modbus-raw", "CRC-16/MODBUS as two raw bytes, low byte first, after ETX", layout='''
frame: {start: "\\x02", end: "\\x03"}
line: "{unit 2}{weight 10}/{kind}"
kind: {seed: net, all: gross}
check: {sum: crc-16/modbus, written: raw, first: low, after_end: true}
''')
    rnd = random.Random(7)
    for _ in range(20):
        n = rnd.randint(0, 2_000_000)
        digits, kind = f"{n // 10000}.{n % 10000:04d}", rnd.choice(["seed", "all"])
        body = f"g {digits:>10}/{kind}".encode()
        crc = modbus(body)
        c.frame(b"\x02" + body + b"\x03" + bytes([crc & 255, crc >> 8]), value=value(digits, "g", "g", {"seed": "net", "all": "gross"}[kind]), check="ok")
    crc = modbus(b"g    12.3450/seed")
    c.refused(b"\x02g    12.3450/seed\x03" + bytes([crc >> 8, crc & 255]))


def crc_xmodem_hex():
    c = Case("crc-xmodem-hex", "CRC-16/XMODEM in four hexadecimal digits at the end of the line", layout='''
line: "{weight 9} {unit 2}*{check 4}"
check: {sum: crc-16/xmodem}
''')
    for digits in ["12.345", "-0.1", "1000"]:
        body = f"{digits:>9} g *"
        c.frame(f"{body}{xmodem(body.encode()):04X}\r\n".encode(), value=value(digits, "g", "g"), check="ok")
    c.refused(b"   12.345 g *0000\r\n")
    c.refused(b"   12.345 g *12\r\n")


def mixed_ends():
    c = Case("mixed-terminators", "CR LF, LF and CR mixed in one stream, blank lines among them", layout='''
frame: {ends: ["\\r\\n", "\\n", "\\x1e"]}
line: "{weight} {unit}"
''')
    for i, end in enumerate([b"\r\n", b"\n", b"\x1e", b"\n", b"\r\n", b"\x1e"]):
        c.frame(f"{i}.5 g".encode() + end, value=value(f"{i}.5", "g", "g"))
        if i % 2:
            c.skip(b"\n\r\n")
    c.refused(b"1.5 g\r2.5 g\n")


def half_lines():
    c = Case("half-lines", "a stream that begins in a line and loses bytes on the way: line_length keeps each rest from being a weight",
             layout='''
line_length: 14
line: "{weight} {unit}"
''')
    c.refused(b"3450 g  \r\n")
    c.frame(b"   12.3450 g  \r\n", value=value("12.3450", "g", "g"))
    c.refused(b"   12.340 g  \r\n")
    c.refused(b"   12.34   12.3450 g  \r\n")
    c.frame(b"  112.3450 g  \r\n", value=value("112.3450", "g", "g"))
    c.refused(b"  112.34")


def noise():
    c = Case("noise", "bursts of random bytes between good lines: each burst is refused, each line is read", layout='''
frame: {start: "\\x02", max_length: 64}
line: "{weight 10} {unit}"
''')
    rnd = random.Random(3)
    for i in range(12):
        burst = bytes(x for x in rnd.randbytes(rnd.randint(5, 40)) if x not in b"\x02\r\n \t\v\f") + b"!"
        c.refused(burst)
        digits = f"{rnd.randint(0, 99999)}.{rnd.randint(0, 999):03d}"
        c.frame(f"\x02{digits:>10} g\r\n".encode(), value=value(digits, "g", "g"))


def two_ways():
    c = Case("two-readings-of-one-line", "a frame that fits two lines of the layout is read only if both read the same", layout='''
lines:
  - line: "{kind}{weight} {unit}"
  - line: "{kind} {weight} {unit}"
  - line: "tray {weight} {unit}"
    means: {kind: preset tare}
kind: {seed: net, tray: tare}
''')
    c.frame(b"seed12.5 g\r\n", value=value("12.5", "g", "g", "net"))
    c.frame(b"seed 12.5 g\r\n", value=value("12.5", "g", "g", "net"))
    c.refused(b"tray 12.5 g\r\n")
    c.frame(b"tray12.5 g\r\n", value=value("12.5", "g", "g", "tare"))
    c.refused(b"all 12.5 g\r\n")


def blank_line_block():
    c = Case("block-to-blank-line", "a print block that a blank line ends; net or gross, whichever is printed", layout='''
frame:
  block: {blank_lines: 1}
block:
  - line: "page {ignore}"
    optional: true
  - line: "lot {sample}"
  - line: "seed {weight} {unit}"
    optional: true
    means: {kind: net}
  - line: "all {weight} {unit}"
    optional: true
    means: {kind: gross}
  - line: "{stability}"
stability: {settled: stable, moving: unstable}
''')

    def block(*lines):
        return ("\r\n".join(lines) + "\r\n\r\n").encode()

    c.frame(block("page 12", "lot OAT-1", "seed 12.5 g", "settled"), value=value("12.5", "g", "g", "net", "stable"), sample="OAT-1")
    c.frame(block("lot OAT-2", "all 112.5 g", "moving"), value=value("112.5", "g", "g", "gross", "unstable"), sample="OAT-2")
    c.refused(block("lot OAT-3", "seed 12.5 g", "all 112.5 g", "settled"))
    c.refused(block("lot OAT-4", "settled"))
    c.refused(block("lot OAT-5", "seed 12.5 g"))
    c.refused(block("seed 12.5 g", "settled"))
    c.refused(block("lot OAT-6", "seed 12.5 g", "settled", "bye"))


def fixed_length():
    c = Case("fixed-length", "no terminator: every frame has fourteen bytes and begins with STX", layout='''
frame: {start: "\\x02", length: 14}
line: "{unit 2}{weight 10}{stability 1}"
stability: {"=": stable, "~": unstable}
''')
    for stab, digits in [("=", "12.345"), ("~", "-1.000"), ("=", "0.000")]:
        c.frame(f"\x02g {digits:>10}{stab}".encode(), value=value(digits, "g", "g", "unknown", {"=": "stable", "~": "unstable"}[stab]))
    c.refused(b"\x02g     12,345=")
    c.frame(b"\x02kg    12.345=", value=value("12.345", "kg", "kg", "unknown", "stable"))


def short_years():
    c = Case("short-years", "date with a year of two digits, time, balance and lot in one line", layout='''
line: "{date 8} {time 8} {balance 4} {sample 12} {weight 9} {unit 2}"
date: {order: month/day/year, century: 2000}
''')
    for shown, iso, clock, sample, digits in [("11/25/26", "2026-11-25", "10:04:05", "RYE 12", "12.345"),
                                              ("02/29/28", "2028-02-29", "23:59:59", "", "-0.001")]:
        c.frame(f"{shown} {clock} B-07 {sample:<12} {digits:>9} g \r\n".encode(), value=value(digits, "g", "g"), sample=sample, balance="B-07",
                printed_date=iso, printed_time=clock)
    for bad in ["25/11/26", "02/29/26", "11-25-26", "11/25/2 ", "1125/26 ", "        "]:
        c.refused(f"{bad} 10:04:05 B-07 RYE 12          12.345 g \r\n".encode())


def month_names():
    c = Case("month-names", "the month as a word", layout='''
line: "{date 11} {weight} {unit}"
date:
  order: day-month-year
  months: [JAN, FEB, MAR, APR, MAI, JUN, JUL, AUG, SEP, OKT, NOV, DEZ]
''')
    for shown, iso in [("25-NOV-2026", "2026-11-25"), (" 5-DEZ-2026", "2026-12-05"), ("1-MAI-2026 ", "2026-05-01")]:
        c.frame(f"{shown} 12.5 g\r\n".encode(), value=value("12.5", "g", "g"), printed_date=iso)
    for bad in ["25-NOW-2026", "31-NOV-2026", "25-11-2026 ", "25 NOV 2026"]:
        c.refused(f"{bad} 12.5 g\r\n".encode())


def comma_separated():
    c = Case("comma-separated", "fields between commas, a count beside the weight, a date as printed", layout='''
line: "{sample},{weight},{unit},{count},{date},{ignore},{kind}"
kind: {n: net, g: gross}
''')
    c.frame(b"OAT 7,12.345,g,240,25/11/26,x y z,n\r\n", value=value("12.345", "g", "g", "net"), sample="OAT 7", count="240", printed_date="25/11/26")
    c.frame(b",-0.5,kg,0,,,g\r\n", value=value("-0.5", "kg", "kg", "gross"), count="0")
    c.refused(b"OAT 7,12,345,g,240,25/11/26,x,n\r\n")
    c.refused(b"OAT 7,12.345,g,2.5,25/11/26,x,n\r\n")
    c.refused(b"OAT 7,12.345,g,240,25/11/26,n\r\n")
    c.refused(b"OAT\x077,12.345,g,240,25/11/26,x,n\r\n")


def range_marks():
    c = Case("range-marks", "a mark beside the digits says over or under: the digits are then dropped", layout='''
line: "{weight 9} {unit 2} {range 1}"
range: {"": in, "!": over, "?": under}
''')
    c.frame(b"   12.345 g   \r\n", value=value("12.345", "g", "g"))
    c.frame(b"  220.001 g  !\r\n", value=value("", "g", "g", range="over"))
    c.frame(b"   -5.000 g  ?\r\n", value=value("", "g", "g", range="under"))
    c.refused(b"   12.345 g  X\r\n")
    c.refused(b"          g   \r\n")


def missing_unit_unknown():
    c = Case("missing-unit-unknown", "no unit means not stable, and the layout does not say which is meant: the number is refused", layout='''
line: "{weight} {unit} {sample}"
unit: {missing: unstable}
''')
    c.frame(b"12.345 g LOT\r\n", value=value("12.345", "g", "g", stability="stable"), sample="LOT")
    c.refused(b"12.345 LOT\r\n")
    c.refused(b"12.345 g\r\n")


def braces():
    c = Case("braces", "literals that look like a template's own characters", layout='''
line: "{{{weight}}}{unit}"
''')
    c.frame(b"{12.5}g\r\n", value=value("12.5", "g", "g"))
    c.refused(b"12.5g\r\n")


def power_up():
    c = Case("power-up-banner", "a balance that is switched off and on again between weighings: its greeting, a self test with numbers in it, and "
             "the half line that the switch cut are refused; each line around them is read", layout='''
line: "{weight 10} {unit 2}  {stability 4}"
stability: {rest: stable, sway: unstable}
weight: {decimals: [4]}
''')
    def good(digits, stable=True):
        c.frame(f"{digits:>10} g   {'rest' if stable else 'sway'}\r\n".encode(), value=value(digits, "g", "g", stability="stable" if stable else "unstable"))
    good("12.3450")
    good("12.3451", False)
    c.refused(b"   12.34\x00\x00*** SEED BALANCE 7 ***\r\n")
    c.refused(b"program 2.14\r\n")
    c.refused(b"self test .... passed\r\n")
    c.refused(b"    5.0000 V   rest\r\n")
    c.refused(b"  220.0000 g max, 0.0001 g\r\n")
    c.skip(b"\r\n")
    good("0.0000")
    good("-0.0002")
    good("98.1230")


def error_lines():
    c = Case("error-lines", "what a balance prints in place of a weight: errors, menu texts and questions are refused, also where they hold digits "
             "and a unit", layout='''
line: "{stability 1}{weight 9} {unit}"
stability: {"": stable, "?": unstable}
weight: {decimals: [3], over: ["-------"], under: ["_______"]}
''')
    def good(digits, stable=True, **more):
        c.frame(f"{'' if stable else '?':<1}{digits:>9} g\r\n".encode(), value=value(digits, "g", "g", stability="stable" if stable else "unstable", **more))
    good("12.345")
    c.refused(b"ERR 12\r\n")
    c.refused(b"E  12.345 g\r\n")
    c.refused(b"    12.345 g  ERR 4\r\n")
    c.refused(b"    12.345 V\r\n")
    c.refused(b"CAL?  200 g\r\n")
    c.refused(b"  200.0000 g\r\n")
    c.refused(b"   --.--- g\r\n")
    c.frame(b"   ------- g\r\n", value=value("", "g", "g", stability="stable", range="over"))
    c.frame(b"?  _______ g\r\n", value=value("", "g", "g", stability="unstable", range="under"))
    good("7.001", False)


def layout_change():
    c = Case("layout-change", "somebody changes the balance's menu in the middle: comma for point, the unit first, three decimals for four. What no "
             "longer fits is refused, and nothing of it is guessed; back in the old form it is read again", layout='''
line_length: 14
line: "{weight 10} {unit 3}"
weight: {decimals: [4]}
''')
    def good(digits):
        c.frame(f"{digits:>10} g  \r\n".encode(), value=value(digits, "g", "g"))
    good("12.3450")
    good("12.3449")
    for line in [b"   12,3450 g  ", b"    12.345 g  ", b"g   12.3450   ", b"   12.3450    ", b" +  12.3450 g ", b"12.3450 g"]:
        c.refused(line + b"\r\n")
    c.refused(b"   12.3450 g  \r   12.3450 g  \r\n")
    c.frame(b"   12.3450 mg \r\n", value=value("12.3450", "mg", "mg"))  # another unit is no other layout
    good("12.3451")


for make in [bench_net_grams, micro_comma_milligrams, platform_words, print_block, print_line_person, settling, checked_telegram, counting, verified_brackets,
             latin1_micrograms, cp437_micrograms, utf8_words, trailing_sign, leading_zeros, point_groups, unit_always, ambiguous_units,
             named_units, odd_numbers, xor_in_line, sum_decimal, twos_complement_raw, crc_modbus_raw, crc_xmodem_hex, mixed_ends, half_lines,
             noise, two_ways, blank_line_block, fixed_length, short_years, month_names, comma_separated, range_marks, missing_unit_unknown,
             braces, power_up, error_lines, layout_change]:
    make()
for case in Case.all:
    case.write()
print(len(Case.all), "streams,", sum(len(c.lines) for c in Case.all), "frames")
