# A second judge of rounding: Python's own decimal module. Reads cases, one JSON object a line, and answers with the rounded text.
import json, sys
from decimal import ROUND_CEILING, ROUND_FLOOR, ROUND_HALF_EVEN, ROUND_HALF_UP, Context, Decimal, getcontext

getcontext().prec = 60
rules = {"half-even": ROUND_HALF_EVEN, "half-up": ROUND_HALF_UP, "up": ROUND_CEILING, "down": ROUND_FLOOR}

for line in sys.stdin:
    case = json.loads(line)
    x, rule = Decimal(case["x"]), rules[case["rule"]]
    if "step" in case:
        step = Decimal(case["step"])
        y = (x / step).quantize(Decimal(1), rounding=rule) * step
        y = y.quantize(Decimal(1).scaleb(min(0, step.normalize().as_tuple().exponent)))
    elif x == 0:
        y = Decimal(0)
    else:
        y = Context(prec=case["significant"], rounding=rule).plus(x)
        digits = y.as_tuple()
        if len(digits.digits) < case["significant"]:  # it was shorter as written: its zeros belong to it
            y = y.quantize(Decimal(1).scaleb(y.adjusted() - case["significant"] + 1))
    text = format(y, "f")
    print(text.lstrip("-") if y == 0 else text)
