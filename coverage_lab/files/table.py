"""Tables for spreadsheets: CSV in which no text is run as a formula."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable

# A spreadsheet runs a cell as a formula if it begins so (OWASP, CSV injection). Plain numbers are safe.
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
_PLAIN_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?")


def cell(value: object) -> object:
    """Return a value as a spreadsheet may have it: text that it would run begins with an apostrophe."""
    if isinstance(value, str) and value.startswith(_FORMULA) and not _PLAIN_NUMBER.fullmatch(value):
        return f"'{value}"
    return value


def csv_bytes(rows: Iterable[Iterable[object]]) -> bytes:
    """Return rows of cells as CSV (RFC 4180, UTF-8); None is an empty cell."""
    text = io.StringIO(newline="")
    csv.writer(text).writerows([cell(value) for value in row] for row in rows)
    # File names that are no Unicode reach us as lone surrogates, which UTF-8 cannot hold.
    return text.getvalue().encode("utf-8", "backslashreplace")
