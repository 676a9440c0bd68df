"""Reads the arithmetic that people write by hand: "3 kg + 2 kg = 5 kg", "13:18 + 13 h = 02:18".

Only what the examples need: numbers with or without a unit, clock times, hours
with minutes, + − × / ^ ( ), e to a power. A clause with no sign of equality or order
says something in words and is left alone.
"""

import ast
import operator
import re
from collections.abc import Callable, Iterator
from math import e

_RELATIONS: dict[str, Callable[[float, float], bool]] = {
    "≥": operator.ge,
    "<": operator.lt,
    ">": operator.gt,
}
_CLOCK = re.compile(r"(\d{2}):(\d{2})")
_HOURS_MINUTES = re.compile(r"(\d+) h (\d+) min")
_UNIT = re.compile(r"[^\W\d_]+(?:/[^\W\d_]+)*|[°%³]")
_OPERATORS: dict[type[ast.operator], Callable[[float, float], float]] = {
    ast.Add: operator.add,
    ast.Sub: operator.sub,
    ast.Mult: operator.mul,
    ast.Div: operator.truediv,
    ast.Pow: operator.pow,
}


def wrong_clauses(sentence: str) -> list[str]:
    """The clauses of a sentence whose arithmetic does not hold."""
    return [clause for clause in _clauses(sentence) if not _holds(clause)]


def _clauses(sentence: str) -> Iterator[str]:
    """Parts between commas, semicolons and colons that state something in numbers."""
    for clause in re.split(r"[,;:](?=\s)", sentence):
        if any(sign in clause for sign in ("=", *_RELATIONS)):
            yield clause.strip()


def _holds(clause: str) -> bool:
    for sign, relation in _RELATIONS.items():
        if sign in clause:
            left, right = clause.split(sign)
            return relation(_value(left), _value(right))
    left, right = clause.split("=")
    difference = abs(_value(left) - _value(right))
    if _CLOCK.search(clause):  # the day goes round
        difference = min(difference % 24, 24 - difference % 24)
        return difference < 1 / 7200
    return difference <= 0.5 * 10.0 ** -_decimals(right) * (1 + 1e-9)


def _decimals(written: str) -> int:
    """How many digits after the point somebody rounded to; whole numbers are exact."""
    found = re.search(r"\d+\.(\d+)", written)
    return len(found[1]) if found else 9


def _value(written: str) -> float:
    plain = _CLOCK.sub(lambda m: f"({m[1]} + {m[2]} / 60)", written)
    plain = _HOURS_MINUTES.sub(lambda m: f"({m[1]} + {m[2]} / 60)", plain)
    plain = plain.replace("e^", f"{e!r} ^ ")
    plain = _UNIT.sub("", plain)
    plain = re.sub(r"(?<![.\d])0+(?=\d)", "", plain)
    for sign, typed in (("−", "-"), ("×", "*"), ("^", "**")):
        plain = plain.replace(sign, typed)
    return _worked_out(ast.parse(plain.strip(), mode="eval").body)


def _worked_out(node: ast.expr) -> float:
    if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        return node.value
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        return -_worked_out(node.operand)
    if isinstance(node, ast.BinOp):
        return _OPERATORS[type(node.op)](_worked_out(node.left), _worked_out(node.right))
    raise ValueError(f"this is not arithmetic: {ast.unparse(node)}")
