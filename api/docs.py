"""The readable description under /api/docs: made from the OpenAPI document, without any script."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cache
from typing import Any

from django.http import HttpResponse
from django.template.loader import render_to_string
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request

from api.auth import Open
from api.catalogue import CATALOGUE
from api.schema import build_schema
from api.views import ApiView
from casebook.errors import NotFound

CONTENT_POLICY = (
    "default-src 'none'; style-src 'self'; base-uri 'none'; form-action 'none'; "
    "frame-ancestors 'none'"
)
METHODS = ("get", "post", "patch", "delete")


@dataclass(frozen=True)
class Field:
    name: str
    kind: SafeString
    required: bool
    meaning: str


@dataclass(frozen=True)
class Operation:
    id: str
    method: str
    path: str
    summary: str
    meaning: str
    role: str
    parameters: list[Field]
    body: SafeString | None
    example: str
    answers: list[tuple[str, SafeString]]


@dataclass(frozen=True)
class Shape:
    """A component: an object with its fields, or another form of value."""

    name: str
    meaning: str
    kind: SafeString
    fields: list[Field]


class DocsView(ApiView):
    authentication_classes = ()
    permission_classes = (Open,)

    @extend_schema(exclude=True)
    def get(self, request: Request) -> HttpResponse:
        context = {
            "operations": _operations(),
            "shapes": _shapes(),
            "problems": CATALOGUE,
            "version": build_schema()["info"]["version"],
        }
        return _page("api/docs.html", context)


class ProblemView(ApiView):
    """Where a problem's `type` leads: what it means and what to do."""

    authentication_classes = ()
    permission_classes = (Open,)

    @extend_schema(exclude=True)
    def get(self, request: Request, code: str) -> HttpResponse:
        kind = CATALOGUE.get(code)
        if kind is None:
            raise NotFound()
        return _page("api/problem.html", {"code": code, "kind": kind})


def _page(template: str, context: Mapping[str, Any]) -> HttpResponse:
    response = HttpResponse(render_to_string(template, dict(context)))
    response["Content-Security-Policy"] = CONTENT_POLICY
    response["Cache-Control"] = "public, max-age=300"
    return response


@cache
def _operations() -> list[Operation]:
    return list(_read_operations(build_schema()))


def _read_operations(schema: Mapping[str, Any]) -> Iterator[Operation]:
    for path, item in schema["paths"].items():
        for method in METHODS:
            if method not in item:
                continue
            operation = item[method]
            content = operation.get("requestBody", {}).get("content", {}).get("application/json")
            yield Operation(
                id=operation["operationId"],
                method=method.upper(),
                path=path,
                summary=operation.get("summary", ""),
                meaning=operation.get("description", ""),
                role=operation.get("x-role", ""),
                parameters=[
                    _field(p["name"], p["schema"], p.get("required", False), p.get("description"))
                    for p in operation.get("parameters", [])
                ],
                body=None if content is None else _kind(content["schema"]),
                example=_example(content or {}),
                answers=list(_answers(operation)),
            )


def _example(content: Mapping[str, Any]) -> str:
    for example in content.get("examples", {}).values():
        return json.dumps(example["value"], indent=2, ensure_ascii=False)
    return ""


def _answers(operation: Mapping[str, Any]) -> Iterator[tuple[str, SafeString]]:
    for status, answer in operation["responses"].items():
        if "$ref" in answer:
            continue  # problems: the same everywhere, described once
        for content_type, content in answer.get("content", {}).items():
            kind = _kind(content.get("schema", {}))
            yield status, format_html("{} ({})", kind, content_type)
        if not answer.get("content"):
            yield status, format_html("{}", answer.get("description") or "no body")


@cache
def _shapes() -> list[Shape]:
    return [
        Shape(
            name=name,
            meaning=part.get("description", ""),
            kind=_kind({k: v for k, v in part.items() if k != "properties"}),
            fields=_fields(part),
        )
        for name, part in build_schema()["components"]["schemas"].items()
    ]


def _fields(part: Mapping[str, Any]) -> list[Field]:
    # A document that may also be sent as its key alone keeps its fields one step further down.
    owner = next((o for o in part.get("anyOf", []) if "properties" in o), part)
    required = owner.get("required", [])
    return [
        _field(name, value, name in required, value.get("description"))
        for name, value in owner.get("properties", {}).items()
    ]


def _field(name: str, schema: Mapping[str, Any], required: bool, meaning: str | None) -> Field:
    limits = ", ".join(
        words.format(schema[key])
        for key, words in _LIMITS.items()
        if key in schema and schema[key] not in ("", None, [], {})
    )
    said = [meaning or "", f"({limits})" if limits else ""]
    return Field(name, _kind(schema), required, " ".join(filter(None, said)))


_LIMITS = {
    "minimum": "from {}",
    "maximum": "to {}",
    "maxLength": "at most {} characters",
    "maxItems": "at most {} items",
    "default": "default {}",
}
_PLAIN = {
    "string": "text",
    "integer": "whole number",
    "number": "number",
    "boolean": "true or false",
    "null": "null",
    "object": "object",
}


def _kind(schema: Mapping[str, Any]) -> SafeString:
    """The form of a value in words, with links to components."""
    if "$ref" in schema:
        name = schema["$ref"].rsplit("/", 1)[1]
        return format_html('<a href="#{0}">{0}</a>', name)
    if "const" in schema:
        return format_html("{}", json.dumps(schema["const"]))
    if "enum" in schema:
        return format_html("{}", " | ".join(map(str, schema["enum"])))
    options = schema.get("anyOf") or schema.get("oneOf") or schema.get("allOf")
    if options:
        return format_html_join(" or ", "{}", ((_kind(option),) for option in options))
    if schema.get("type") == "array":
        return format_html("list of {}", _kind(schema.get("items", {})))
    form = {"date": "day, YYYY-MM-DD", "date-time": "time, RFC 3339", "uuid": "UUID"}
    kind = schema.get("type", "")
    words = form.get(schema.get("format", "")) or _PLAIN.get(str(kind), "any")
    return format_html("{}", words)
