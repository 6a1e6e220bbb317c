"""JSON in, read strictly: what could be understood in two ways is refused, not guessed at."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Mapping
from typing import IO, Any, NoReturn

from django.conf import settings
from rest_framework.parsers import BaseParser

from api.problems import BadRequest, TooLarge, UnsupportedCharset
from casebook.errors import FieldError, InvalidDocument

MAX_DEPTH = 32  # levels of objects and lists; a case has five
_MAX_DIGITS = 40
_UNUSABLE = re.compile(r"[\0\ud800-\udfff]")


class _Refused(Exception):
    """Raised inside the JSON reader; carries the sentence."""


class StrictJSONParser(BaseParser):
    """UTF-8 JSON without repeated names, NaN, endless numbers, deep nesting or NUL."""

    media_type = "application/json"

    def parse(
        self,
        stream: IO[bytes],
        media_type: str | None = None,
        parser_context: Mapping[str, Any] | None = None,
    ) -> Any:
        _check_charset(media_type or "")
        limit = settings.DATA_UPLOAD_MAX_MEMORY_SIZE
        body = stream.read(limit + 1)
        if len(body) > limit:
            raise TooLarge(f"The body is longer than {limit} bytes.")
        return read_json(body)


class MergePatchParser(StrictJSONParser):
    """The name that RFC 7396 gives to a partial document; plain JSON means the same here."""

    media_type = "application/merge-patch+json"


def read_json(body: bytes) -> Any:
    """Raises BadRequest where it isn't JSON, InvalidDocument where a text can't be stored."""
    try:
        text = body.decode("utf-8")
    except UnicodeDecodeError as error:
        raise BadRequest(f"The body isn't UTF-8: byte {error.start} can't be read.") from error
    if text.startswith("\ufeff"):
        raise BadRequest("Leave out the byte order mark at the start of the body.")
    try:
        value = json.loads(
            text,
            object_pairs_hook=_refuse_repeats,
            parse_constant=_refuse_constant,
            parse_float=_finite_float,
            parse_int=_sane_int,
        )
    except json.JSONDecodeError as error:
        raise BadRequest(
            f"The body isn't JSON: {error.msg} at line {error.lineno}, column {error.colno}."
        ) from error
    except _Refused as error:
        raise BadRequest(str(error)) from error
    except RecursionError as error:
        raise BadRequest(_TOO_DEEP) from error
    if _is_too_deep(value):
        raise BadRequest(_TOO_DEEP)
    # Only an escape can bring in a NUL or half a surrogate pair: UTF-8 and JSON refuse them raw.
    errors = list(_unusable_texts(value)) if "\\u" in text else []
    if errors:
        raise InvalidDocument(errors)
    return value


_TOO_DEEP = f"The body is nested deeper than {MAX_DEPTH} levels."


def _check_charset(media_type: str) -> None:
    for parameter in media_type.split(";")[1:]:
        name, _, value = parameter.partition("=")
        if name.strip().lower() == "charset" and value.strip(' "').lower() not in {
            "utf-8",
            "utf8",
        }:
            raise UnsupportedCharset("Send JSON in UTF-8; leave charset out of Content-Type.")


def _show(name: str) -> str:
    """A name for a message: short, and writable as UTF-8 whatever it holds."""
    return ascii(name[:60])


def _refuse_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        seen: set[str] = set()
        for name, _ in pairs:
            if name in seen:
                raise _Refused(f"The name {_show(name)} stands twice in one object.")
            seen.add(name)
    return found


def _refuse_constant(constant: str) -> NoReturn:
    raise _Refused(f"{constant} is not JSON; leave the field out or say null.")


def _finite_float(text: str) -> float:
    value = float(text)
    if not math.isfinite(value):
        raise _Refused(f"The number {text[:20]} is too large.")
    return value


def _sane_int(text: str) -> int:
    if len(text) > _MAX_DIGITS:
        raise _Refused(f"A number has more than {_MAX_DIGITS} digits.")
    return int(text)


def _is_too_deep(value: Any) -> bool:
    """Level by level, without recursion."""
    level = [value]
    for _ in range(MAX_DEPTH):
        level = [
            member
            for item in level
            if isinstance(item, dict | list)
            for member in (item.values() if isinstance(item, dict) else item)
            if isinstance(member, dict | list)
        ]
        if not level:
            return False
    return True


def _unusable_texts(value: Any) -> Iterator[FieldError]:
    """A NUL can't be stored, half a surrogate pair isn't a character."""
    waiting: list[tuple[str, Any]] = [("", value)]
    while waiting:
        pointer, item = waiting.pop()
        if isinstance(item, str) and _UNUSABLE.search(item):
            yield FieldError(pointer, "Remove the NUL or broken Unicode character.")
        if not isinstance(item, dict | list):
            continue
        for name, member in item.items() if isinstance(item, dict) else enumerate(item):
            if isinstance(name, str) and _UNUSABLE.search(name):
                yield FieldError(pointer, f"The name {_show(name)} holds an unusable character.")
                continue
            step = str(name).replace("~", "~0").replace("/", "~1")
            waiting.append((f"{pointer}/{step}", member))
