"""Words as they are compared: lower case, no accents, no punctuation, single spaces."""

from __future__ import annotations

import re
import unicodedata

_NOT_WORD = re.compile(r"[^0-9a-z]+")


def plain_words(text: str) -> str:
    """`"Won't go into D/R"` -> `"wont go into d r"`."""
    folded = unicodedata.normalize("NFKD", text.casefold())
    without_marks = "".join(c for c in folded if not unicodedata.combining(c))
    return _NOT_WORD.sub(" ", without_marks.replace("'", "").replace("’", "")).strip()
