"""How one person writes: abbreviations, capitals, units, slips of tired fingers."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from casebook.ops.demo.dice import Dice

# A code, a word (with inner marks as in "1-2" or "a/c"), or a run of anything else.
_TOKEN = re.compile(r"[PCBU][0-9A-F]{4}|[A-Za-zÀ-ÿ]+(?:[/'][A-Za-z]+)*")
_CODE = re.compile(r"[PCBU][0-9A-F]{4}\Z")
_SPACES = re.compile(r"\s+")
_BEFORE_MARK = re.compile(r"\s+([,.;:])")
_DOUBLE_MARK = re.compile(r"([,.;:?+/-])(?:\s*[,.;:])+")
_SPEED = re.compile(r"(?<=\d) ?km/h")
_DEGREES = re.compile(r"(?<=\d) ?°C")
_DROPPED = re.compile(r"\b(?:the|a|an|is|are|has been|it is) ", re.IGNORECASE)
_FREE_SLIPS_SHARE = 0.3
_SHORTEST_FREE_SLIP = 6


@dataclass(frozen=True)
class Lexicon:
    """Abbreviations and misspellings that every voice draws from."""

    short: Mapping[str, Sequence[str]]
    slips: Mapping[str, Sequence[str]]
    phrases: re.Pattern[str]

    @classmethod
    def of(cls, short: Mapping[str, Sequence[str]], slips: Mapping[str, Sequence[str]]) -> Lexicon:
        longest_first = sorted(short, key=lambda phrase: (-len(phrase), phrase))
        pattern = r"\b(?:" + "|".join(map(re.escape, longest_first)) + r")\b"
        return cls(short, slips, re.compile(pattern, re.IGNORECASE))


@dataclass(frozen=True)
class Voice:
    """See voices.toml for the meaning of each."""

    name: str
    case: str
    shortens: float
    drops: float
    slips: float
    words: float
    joins: tuple[str, ...]
    ends: str
    speed: str
    degrees: str
    opens: tuple[str, ...]

    def write(self, statements: Sequence[str], dice: Dice, lexicon: Lexicon) -> str:
        """The statements as this person would have typed them."""
        told = [statement.strip() for statement in statements if statement.strip()]
        if not told:
            return ""
        text = told[0]
        for statement in told[1:]:
            join = dice.pick(self.joins)
            text += join + (_capital(statement) if join.strip().endswith(".") else statement)
        text = self._shorten(text + self.ends, dice, lexicon)
        text = _TOKEN.sub(lambda match: self._slip(match[0], dice, lexicon), text)
        text = _SPEED.sub(dice.pick((" ", "")) + self.speed, text)
        text = _DEGREES.sub(dice.pick((" ", "")) + self.degrees, text)
        text = _BEFORE_MARK.sub(r"\1", _SPACES.sub(" ", text))
        return self._capitals(_DOUBLE_MARK.sub(r"\1", text))

    def _shorten(self, text: str, dice: Dice, lexicon: Lexicon) -> str:
        if self.drops:
            text = _DROPPED.sub(lambda m: "" if dice.chance(self.drops) else m[0], text)

        def shorten(match: re.Match[str]) -> str:
            if not dice.chance(self.shortens):
                return match[0]
            return dice.pick(lexicon.short[match[0].lower()])

        return lexicon.phrases.sub(shorten, text)

    def _slip(self, word: str, dice: Dice, lexicon: Lexicon) -> str:
        if len(word) < 4 or _CODE.match(word):
            return word
        known = lexicon.slips.get(word.lower())
        # Words that people get wrong are got wrong more often than others.
        if not dice.chance(self.slips * (3.0 if known else 1.0)):
            return word
        if known:
            return dice.pick(known)
        if len(word) < _SHORTEST_FREE_SLIP or not dice.chance(_FREE_SLIPS_SHARE):
            return word
        return _mistype(word, dice)

    def _capitals(self, text: str) -> str:
        if self.case == "upper":
            return text.upper()
        if self.case == "lower":
            return _TOKEN.sub(lambda m: m[0] if m[0].isupper() else m[0].lower(), text)
        return _capital(text)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _mistype(word: str, dice: Dice) -> str:
    at = dice.whole(1, len(word) - 3)
    how = dice.whole(0, 2)
    if how == 0:
        return word[:at] + word[at + 1] + word[at] + word[at + 2 :]
    if how == 1:
        return word[:at] + word[at + 1 :]
    return word[:at] + word[at] + word[at:]
