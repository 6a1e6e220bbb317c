"""JSON is read strictly: what could be read in two ways is refused."""

from __future__ import annotations

import io
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from api.parsers import MAX_DEPTH, StrictJSONParser, read_json
from api.problems import BadRequest, TooLarge, UnsupportedCharset
from casebook.errors import InvalidDocument


@pytest.mark.parametrize(
    "body, says",
    [
        (b'{"a": 1, "a": 1}', "'a' stands twice"),
        (b'{"b": {"a": 1, "c": 2, "a": 3}}', "'a' stands twice"),
        (b'{"a": NaN}', "NaN"),
        (b"[-Infinity]", "-Infinity"),
        (b"[1e999]", "too large"),
        (b"[" + b"9" * 41 + b"]", "digits"),
        (b'{"a": "\xff"}', "UTF-8"),
        ('{"a": 1}'.encode("utf-16"), "UTF-8"),
        (b"\xef\xbb\xbf{}", "byte order mark"),
        (b'{"a": 1', "line 1"),
        (b"", "line 1"),
        (b'{"a": 1} {}', "Extra data"),
        (b"{'a': 1}", "line 1"),
        (b'{"a": "\x00"}', "control character"),
        (b"[" * 100_000 + b"]" * 100_000, "deeper"),
        (b'{"a":' * 33 + b"1" + b"}" * 33, "deeper"),
    ],
)
def test_what_is_not_one_clear_document_is_refused(body: bytes, says: str) -> None:
    with pytest.raises(BadRequest) as refusal:
        read_json(body)
    assert says in str(refusal.value.detail)


def test_nesting_up_to_the_limit_is_read() -> None:
    deepest = b"[" * MAX_DEPTH + b"]" * MAX_DEPTH
    assert json.dumps(read_json(deepest)) == deepest.decode()
    with pytest.raises(BadRequest):
        read_json(b"[" + deepest + b"]")


def test_texts_that_no_database_holds_are_named_all_at_once() -> None:
    body = (
        rb'{"x": ["ok", "a\u0000b"], "y": {"p/q": "\ud83d"}, "z\u0000": 1,'
        rb' "smile": "\ud83d\ude00"}'
    )
    with pytest.raises(InvalidDocument) as refusal:
        read_json(body)
    assert sorted(error.pointer for error in refusal.value.errors) == ["", "/x/1", "/y/p~1q"]


def test_a_body_over_the_limit_is_refused_unread(settings) -> None:
    settings.DATA_UPLOAD_MAX_MEMORY_SIZE = 10
    assert StrictJSONParser().parse(io.BytesIO(b"[12345678]")) == [12345678]
    with pytest.raises(TooLarge):
        StrictJSONParser().parse(io.BytesIO(b"[123456789]"))


@pytest.mark.parametrize("charset", ["latin-1", "utf-16"])
def test_another_character_set_is_refused(charset: str) -> None:
    with pytest.raises(UnsupportedCharset):
        StrictJSONParser().parse(io.BytesIO(b"{}"), f"application/json; charset={charset}")


def test_utf_8_may_be_said() -> None:
    said = 'application/json; charset="UTF-8"'
    assert StrictJSONParser().parse(io.BytesIO('{"a": "ö"}'.encode()), said) == {"a": "ö"}


json_values = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(10**30), 10**30)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")),
            inner,
            max_size=4,
        )
    ),
    max_leaves=20,
)


@given(json_values, st.booleans())
def test_whatever_the_standard_library_writes_is_read_back(value: object, ascii_only: bool) -> None:
    assert read_json(json.dumps(value, ensure_ascii=ascii_only).encode()) == value
