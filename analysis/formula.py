"""Model formulas read into terms.

The notation is that of Wilkinson and Rogers (1973, Applied Statistics 22:392-399): ``a + b`` both,
``a:b`` their interaction, ``a*b`` both and their interaction, ``a/b`` b within a, ``(…)`` grouping,
``- a:b`` taken out again, ``1`` for no factor at all. A name that holds anything but letters, digits,
``_`` and ``.`` is written between backticks.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

from trials.errors import Problem, UserError

Names = tuple[str, ...]


def label(term: Names) -> str:
    """Return the term as text: ``carrier:load``."""
    return ":".join(term)


_TOKEN = re.compile(r"\s*(?:`([^`]+)`|([^\W\d][\w.]*)|(\*\*|[()+\-*:/^~])|(\d+))", re.UNICODE)


@lru_cache(maxsize=256)
def parse(formula: str) -> tuple[Names, ...]:
    """Read the right-hand side of a model formula.

    Returns
    -------
    The terms without the intercept, each a tuple of names, main effects first, then pairs, and so on.

    Raises
    ------
    UserError
        When the formula cannot be read, with the place marked.
    """
    return tuple(sorted(_Reader(formula).terms(), key=len))


def parse_random(terms: Sequence[str]) -> tuple[Names, ...]:
    """Read random terms, each the name of a piece: ``board`` or ``board:lane``."""
    found: list[Names] = []
    for text in terms:
        parsed = parse(text)
        if len(parsed) != 1:
            raise UserError(f"random term {text!r} is not one piece; write it as 'board' or 'board:lane'")
        if parsed[0] not in found:
            found.append(parsed[0])
    return tuple(found)


class _Reader:
    """Recursive descent over the formula; a value is an ordered list of terms."""

    def __init__(self, formula: str) -> None:
        self.formula = formula
        self.tokens: list[tuple[str, str, int]] = []
        at = 0
        while at < len(formula.rstrip()):
            match = _TOKEN.match(formula, at)
            if match is None:
                raise self.fault(at, "cannot be read here", "put a name that is not one word between backticks")
            kind = ("name", "name", "sign", "number")[(match.lastindex or 1) - 1]
            self.tokens.append((kind, match.group(match.lastindex or 1), match.start(match.lastindex or 1)))
            at = match.end()
        self.at = 0

    def fault(self, position: int, why: str, cure: str) -> UserError:
        marked = f"{self.formula[:position]}»{self.formula[position:]}"
        if self.formula[position : position + 1] == "~":
            cure = "write only what stands to the right of the ~"
        return UserError(Problem(f"formula {marked!r} {why}", cure))

    def peek(self) -> str:
        return self.tokens[self.at][1] if self.at < len(self.tokens) else ""

    def is_sign(self, *signs: str) -> bool:
        return self.at < len(self.tokens) and self.tokens[self.at][0] == "sign" and self.peek() in signs

    def terms(self) -> list[Names]:
        if not self.tokens:
            return []
        result = self.sum()
        if self.at < len(self.tokens):
            raise self.fault(
                self.tokens[self.at][2], "has something left over here", "put a sign such as + or : before it"
            )
        return [term for term in result if term]

    def sum(self) -> list[Names]:
        result: list[Names] = []
        remove = False
        if self.is_sign("+", "-"):
            remove = self.peek() == "-"
            self.at += 1
        while True:
            part = self.nest()
            if remove:
                gone = {frozenset(term) for term in part}
                if frozenset() in gone:
                    raise UserError("a model without an intercept is not fitted; leave out '- 1' and '0'")
                result = [term for term in result if frozenset(term) not in gone]
            else:
                result = _union(result, part)
            if not self.is_sign("+", "-"):
                return result
            remove = self.peek() == "-"
            self.at += 1

    def nest(self) -> list[Names]:
        result = self.product()
        while self.is_sign("/"):
            self.at += 1
            inner = self.product()
            outer: Names = tuple(dict.fromkeys(name for term in result for name in term))
            result = _union(result, _cross([outer], inner))
        return result

    def product(self) -> list[Names]:
        result = self.interaction()
        while self.is_sign("*"):
            self.at += 1
            other = self.interaction()
            result = _union(_union(result, other), _cross(result, other))
        return result

    def interaction(self) -> list[Names]:
        result = self.power()
        while self.is_sign(":"):
            self.at += 1
            result = _cross(result, self.power())
        return result

    def power(self) -> list[Names]:
        result = self.atom()
        if self.is_sign("^", "**"):
            self.at += 1
            if self.at >= len(self.tokens) or self.tokens[self.at][0] != "number":
                raise self.fault(len(self.formula), "lacks the number after the power sign", "write one, such as ^2")
            order = int(self.peek())
            self.at += 1
            base = list(result)
            for _ in range(order - 1):
                result = _union(result, _cross(result, base))
            result = [term for term in result if len(term) <= order]
        return result

    def atom(self) -> list[Names]:
        if self.at >= len(self.tokens):
            raise self.fault(len(self.formula), "ends too soon", "write a name after the last sign")
        kind, text, position = self.tokens[self.at]
        self.at += 1
        if kind == "name":
            return [(text,)]
        if kind == "number":
            if text == "1":
                return [()]
            raise self.fault(
                position, "holds a number that is not 1", "leave the number out; a model always has its mean"
            )
        if text == "(":
            result = self.sum()
            if not self.is_sign(")"):
                raise self.fault(position, "has a bracket that is not closed", "close it")
            self.at += 1
            return result
        raise self.fault(position, "has a sign without a name before it", "write a name there, or leave the sign out")


def _union(first: list[Names], second: list[Names]) -> list[Names]:
    """Join two lists of terms, each term once whatever the order of its names."""
    seen = {frozenset(term) for term in first}
    result = list(first)
    for term in second:
        if frozenset(term) not in seen:
            seen.add(frozenset(term))
            result.append(term)
    return result


def _cross(first: list[Names], second: list[Names]) -> list[Names]:
    """Every term of one with every term of the other."""
    return _union([], [tuple(dict.fromkeys((*a, *b))) for a in first for b in second])
