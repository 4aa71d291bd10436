# A second judge of the arithmetic of this room: the same quantities, worked out by Python's own fractions, decimal and statistics
# modules, and wherever there is one by another way than the program's (closed forms, identities). Reads cases, one JSON object a line,
# and answers one a line, numbers as text.
import json, statistics, sys
from decimal import ROUND_CEILING, ROUND_HALF_EVEN, ROUND_HALF_UP, Decimal, getcontext
from fractions import Fraction

getcontext().prec = 60


def dec(x):
    x = Fraction(x)
    return Decimal(x.numerator) / Decimal(x.denominator)


def repeatability(c):
    x = [Decimal(v) for v in c["x"]]
    s = statistics.stdev(x)
    return {"mean": statistics.mean(x), "sd": s, "minimum": max(2000 * s, 820 * Decimal(c["d"]))}


def rounding(c):
    x, unit = Decimal(c["x"][0]), Decimal(1).scaleb(-c["n"])
    return {k: x.quantize(unit, rounding=m) for k, m in (("even", ROUND_HALF_EVEN), ("away", ROUND_HALF_UP), ("up", ROUND_CEILING))}


def balance(c):  # OIML R 76-1:2006, Table 6: by counting how many ends of steps lie below the load
    ends = {"I": (50000, 200000), "II": (5000, 20000, 100000), "III": (500, 2000, 10000), "IIII": (50, 200, 1000)}[c["class"]]
    m, e = abs(Fraction(c["x"][0])), Fraction(c["d"])
    passed = sum(m > end * e for end in ends)
    return {"initial": dec((1 + passed) * e / 2) if passed < 3 else "none", "service": dec((1 + passed) * e) if passed < 3 else "none"}


def air(c):  # both bodies in air: what the balance shows of each is equal
    m, air, adjusted, sample = (Fraction(v) for v in c["x"])
    true = m * sample * (adjusted - air) / (adjusted * (sample - air))
    conventional = m * (sample - Fraction("1.2")) / sample * 8000 / Fraction("7998.8")
    return {"true": dec(true), "conventional": dec(conventional)}


def moist(c):  # CIPM-2007 and OIML R 111-1 E.3-1, in decimals
    t, p, h, co2 = (Decimal(v) for v in c["x"])
    k = t + Decimal("273.15")
    psv = ((Decimal("1.2378847e-5") * k - Decimal("1.9121316e-2")) * k + Decimal("33.93711047") - Decimal("6343.1645") / k).exp()
    x = h * (Decimal("1.00062") + Decimal("3.14e-8") * p + Decimal("5.6e-7") * t * t) * psv / p
    q = p / k
    z = 1 - q * (Decimal("1.58123e-6") + t * (Decimal("-2.9331e-8") + t * Decimal("1.1043e-10")) + x * (Decimal("5.707e-6") - t * Decimal("2.051e-8")
        + x * (Decimal("1.9898e-4") - t * Decimal("2.376e-6")))) + q * q * (Decimal("1.83e-11") - x * x * Decimal("0.765e-8"))
    dry = Decimal("0.02896546") + Decimal("0.012011") * (co2 - Decimal("0.0004"))
    full = q / (z * Decimal("8.314472")) * (dry * (1 - x) + x * Decimal("0.01801528"))
    return {"full": full, "simple": (Decimal("0.34848") * p / 100 - Decimal("0.9") * h * (Decimal("0.061") * t).exp()) / k}


def line(c):
    at, x = [float(v) for v in c["at"]], [float(v) for v in c["x"]]
    fit = statistics.linear_regression(at, x)
    r = statistics.correlation(at, x)
    return {"slope": fit.slope, "at0": fit.intercept, "error": abs(fit.slope) * ((1 / r**2 - 1) / (len(x) - 2)) ** 0.5,
            "through0": dec(sum(Fraction(a) * Fraction(v) for a, v in zip(c["at"], c["x"])) / sum(Fraction(a) ** 2 for a in c["at"]))}


def charts(c):
    x, lam = [Fraction(v) for v in c["x"]], Fraction("0.25")
    target, k = Fraction(c["x"][0]), Fraction("0.5")
    n = len(x)
    average = (1 - lam) ** n * target + lam * sum((1 - lam) ** (n - 1 - i) * v for i, v in enumerate(x))
    tails = lambda sign: max([0] + [sum(sign * (v - target) - k for v in x[i:]) for i in range(n)])
    moved = sum(abs(a - b) for a, b in zip(x, x[1:])) / (n - 1) / Fraction("1.128")
    return {"average": dec(average), "above": dec(tails(1)), "below": dec(tails(-1)), "sigma": dec(moved)}


def budget(c):  # half-widths: rectangular, triangular, normal with k = 2 and n − 1 degrees of freedom
    a, b, s = (Decimal(v) for v in c["x"])
    parts = [(a / Decimal(3).sqrt(), None), (b / Decimal(6).sqrt(), None), (s / 2, c["n"])]
    u = sum(v * v for v, _ in parts).sqrt()
    effective = u**4 / sum(v**4 / f for v, f in parts if f)
    return {"u": u, "freedom": effective.to_integral_value(rounding="ROUND_FLOOR") if effective < 1000001 else 0}


def minimum(c):  # EURAMET cg-18: where SF·(α + β·W)/W comes to Req, by halving
    alpha, beta, req, sf = (Fraction(v) for v in c["x"])
    low, high = Fraction(0), Fraction(10) ** 9
    for _ in range(140):
        mid = (low + high) / 2
        low, high = (low, mid) if sf * (alpha + beta * mid) <= req * mid else (mid, high)
    return {"m": dec(high)}


kinds = dict(repeatability=repeatability, rounding=rounding, balance=balance, air=air, moist=moist, line=line, charts=charts, budget=budget, minimum=minimum)
for text in sys.stdin:
    case = json.loads(text)
    print(json.dumps({k: str(v) for k, v in kinds[case["kind"]](case).items()}))
