"""The OpenAPI 3.1 description, made from the code that answers."""

from __future__ import annotations

import copy
from collections.abc import Mapping
from functools import cache
from threading import Lock
from typing import Any, Literal

from django.urls import include, path
from drf_spectacular.drainage import set_override
from drf_spectacular.extensions import OpenApiAuthenticationExtension, OpenApiSerializerExtension
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.openapi import AutoSchema
from drf_spectacular.plumbing import ResolvedComponent
from drf_spectacular.utils import OpenApiParameter
from pydantic.json_schema import model_json_schema

from api.catalogue import CATALOGUE
from api.parameters import describe_parameters
from api.problems import CONTENT_TYPE

ETAG = OpenApiParameter(
    "ETag",
    str,
    OpenApiParameter.HEADER,
    response=[200],
    description="Send it as If-None-Match to learn whether anything changed.",
)
IF_NONE_MATCH = OpenApiParameter(
    "If-None-Match", str, OpenApiParameter.HEADER, description="ETags that you have."
)

REF = "#/components/schemas/{model}"


class PydanticComponents(OpenApiSerializerExtension):  # type: ignore[no-untyped-call]
    """Pydantic documents as components: what may be sent, or what is answered."""

    target_class = "pydantic.BaseModel"
    match_subclasses = True
    priority = 1  # before the library's own, which describes requests as if they were answers

    def get_name(self, auto_schema: AutoSchema, direction: str) -> str:
        # The library compares identities, of which nested models have none here; map_serializer
        # compares the schemas themselves.
        set_override(self.target, "suppress_collision_warning", True)
        return str(self.target.__name__)

    def map_serializer(self, auto_schema: AutoSchema, direction: str) -> dict[str, Any]:
        mode: Literal["validation", "serialization"] = (
            "validation" if direction == "request" else "serialization"
        )
        schema: dict[str, Any] = _tidy(model_json_schema(self.target, ref_template=REF, mode=mode))
        for name, part in schema.pop("$defs", {}).items():
            component = ResolvedComponent(  # type: ignore[no-untyped-call]
                name=name, type=ResolvedComponent.SCHEMA, object=name, schema=part
            )
            if component in auto_schema.registry:
                known = auto_schema.registry[component].schema
                if known and known != part:
                    raise ValueError(f"Two different shapes are called {name}: rename one.")
            auto_schema.registry.register_on_missing(component)
        return schema


# The longest text that any document takes: says nothing about a single field.
_NO_LIMIT = 20_000


def _tidy(part: Any) -> Any:
    """Without the noise of generated titles; decimals in words that JSON Schema knows."""
    if isinstance(part, list):
        return [_tidy(item) for item in part]
    if not isinstance(part, dict):
        return part
    if part.get("anyOf") == [{"type": "number"}, {"type": "string"}]:
        return _decimal(part)
    return {
        name: {n: _tidy(v) for n, v in value.items()} if name == "properties" else _tidy(value)
        for name, value in part.items()
        if not (name == "title" and isinstance(value, str))
        and not (name == "maxLength" and value == _NO_LIMIT)
    }


def _decimal(part: Mapping[str, Any]) -> dict[str, Any]:
    places = part.get("decimal_places")
    if places:
        return {
            "type": "string",
            "pattern": rf"^\d{{1,10}}(\.\d{{1,{places}}})?$",
            "description": "Decimal text, for example 240.00.",
        }
    limits = {"minimum": part.get("ge"), "maximum": part.get("le")}
    number = {"type": "number"} | {k: v for k, v in limits.items() if v is not None}
    return {"anyOf": [number, {"type": "string"}]}


class KeyScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "api.auth.KeyAuthentication"
    name = "key"

    def get_security_definition(self, auto_schema: AutoSchema) -> dict[str, str]:
        return {
            "type": "http",
            "scheme": "bearer",
            "description": "A key of your shop: cbk_ and 39 characters.",
        }


class SessionScheme(OpenApiAuthenticationExtension):  # type: ignore[no-untyped-call]
    target_class = "api.auth.SignedInAuthentication"
    name = "session"

    def get_security_definition(self, auto_schema: AutoSchema) -> dict[str, str]:
        return {
            "type": "apiKey",
            "in": "cookie",
            "name": "sessionid",
            "description": "Signed in to the pages; changes also send the header X-CSRFToken.",
        }


class ApiSchema(AutoSchema):
    """Query parameters from the class that reads them; problems for every operation."""

    def get_override_parameters(self) -> list[Any]:
        kind = getattr(self.view, "parameters", {}).get(self.method.lower())
        declared = [] if kind is None else describe_parameters(kind)
        tag = [ETAG, IF_NONE_MATCH] if self._is_tagged() else []
        return [*super().get_override_parameters(), *declared, *tag]

    def _is_tagged(self) -> bool:
        return self.method == "GET" and getattr(self.view, "tagged", False)

    def get_operation(self, *args: Any, **kwargs: Any) -> dict[str, Any] | None:
        operation: dict[str, Any] | None = super().get_operation(*args, **kwargs)
        role = next((r for k in self.view.permission_classes if (r := getattr(k, "role", ""))), "")
        if operation is not None and role:
            operation["x-role"] = role
        return operation

    def _get_response_bodies(
        self, direction: Literal["request", "response"] = "response"
    ) -> dict[str, Any]:
        bodies: dict[str, Any] = super()._get_response_bodies(direction)
        bodies |= {code: _problem_ref(name) for code, name in self._problems().items()}
        if self._is_tagged():
            bodies["304"] = {"description": "What you have is still so."}
        return dict(sorted(bodies.items()))

    def _problems(self) -> dict[str, str]:
        found = {"400": "Malformed", "default": "Problem"}
        if self.view.authentication_classes:
            found["401"] = "NotAuthenticated"
        if any(getattr(kind, "role", "") for kind in self.view.permission_classes):
            found["403"] = "NotAllowed"
        if "{" in self.path:
            found["404"] = "NotFound"
        if self.method in ("POST", "PATCH"):
            found |= {"415": "UnsupportedMediaType", "422": "Invalid"}
        return found


def _problem_ref(name: str) -> dict[str, str]:
    return {"$ref": f"#/components/responses/{name}"}


_RESPONSES = {
    "Malformed": "malformed",
    "NotAuthenticated": "not_authenticated",
    "NotAllowed": "not_allowed",
    "NotFound": "not_found",
    "UnsupportedMediaType": "unsupported_media_type",
    "Invalid": "invalid",
}

_PROBLEM = {
    "type": "object",
    "description": "RFC 9457. The type is stable; its page says what to do.",
    "properties": {
        "type": {"type": "string", "format": "uri-reference"},
        "title": {"type": "string"},
        "status": {"type": "integer"},
        "detail": {"type": "string"},
        "errors": {
            "type": "array",
            "description": "Every fault of the request at once.",
            "items": {
                "type": "object",
                "properties": {
                    "pointer": {
                        "type": "string",
                        "description": "JSON pointer (RFC 6901) into what was sent.",
                    },
                    "in": {
                        "type": "string",
                        "enum": ["query"],
                        "description": "Present where the pointer goes into the query parameters.",
                    },
                    "detail": {"type": "string"},
                },
                "required": ["pointer", "detail"],
            },
        },
        "case_id": {
            "type": "string",
            "format": "uuid",
            "description": "Your own case that stands in the way.",
        },
        "request_id": {"type": "string"},
    },
    "required": ["type", "title", "status", "detail", "request_id"],
}


def finish_schema(result: dict[str, Any], generator: Any, **_: Any) -> dict[str, Any]:
    """Post-processing hook: what the generator can't know."""
    components = result.setdefault("components", {})
    schemas = components.setdefault("schemas", {})
    schemas["Problem"] = _PROBLEM
    for name, words in _ALONE.items():
        if name in schemas and "anyOf" not in schemas[name]:
            schemas[name] = _alone_or_object(schemas[name], words)
    content = {CONTENT_TYPE: {"schema": {"$ref": REF.format(model="Problem")}}}
    responses = {"Problem": {"description": "Any other problem.", "content": content}}
    for name, code in _RESPONSES.items():
        responses[name] = {"description": CATALOGUE[code].title + ".", "content": content}
    components["responses"] = dict(sorted(responses.items()))
    components["schemas"] = dict(sorted(schemas.items()))
    return result


# Documents that may also be sent as their key alone.
_ALONE = {"SymptomDocument": "The symptom's key alone.", "CodeDocument": "The code alone."}


def _alone_or_object(schema: dict[str, Any], words: str) -> dict[str, Any]:
    return {"anyOf": [{"type": "string", "description": words}, schema]}


@cache
def _build_once() -> dict[str, Any]:
    addresses = [path("api/", include("api.urls"))]
    result: dict[str, Any] = SchemaGenerator(patterns=addresses).get_schema(  # type: ignore[no-untyped-call]
        request=None, public=True
    )
    return copy.deepcopy(result)


_building = Lock()


def build_schema() -> dict[str, Any]:
    """The whole description as plain values; the same in every process of one version.

    Read it, don't change it: all callers share one.
    """
    # The generator keeps state of its own while it works: one thread at a time.
    with _building:
        return _build_once()
