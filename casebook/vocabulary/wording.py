"""Words as they are compared: lower case, no accents, no punctuation, single spaces."""

from __future__ import annotations

import re
import unicodedata

_NOT_WORD = re.compile(r"[^0-9a-z]+")


def fold_text(text: str) -> str:
    """Lower case without accents; punctuation stays."""
    folded = unicodedata.normalize("NFKD", text.casefold())
    return "".join(c for c in folded if not unicodedata.combining(c))


def plain_words(text: str) -> str:
    """`"Won't go into D/R"` -> `"wont go into d r"`."""
    return _NOT_WORD.sub(" ", fold_text(text).replace("'", "").replace("’", "")).strip()
