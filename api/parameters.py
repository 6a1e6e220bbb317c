"""Query parameters, read as strictly as bodies: unknown, repeated and unusable ones are named."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from difflib import get_close_matches
from typing import Any, TypeVar

from drf_spectacular.utils import OpenApiParameter
from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails
from rest_framework.request import Request

from api.problems import BadParameters
from casebook.errors import InvalidDocument

P = TypeVar("P", bound="Parameters")


_MOST_CHARACTERS = 1_000


class Parameters(BaseModel):
    """Base of an address's query parameters; a subclass names each with its type and meaning."""

    model_config = ConfigDict(extra="forbid", frozen=True, str_max_length=_MOST_CHARACTERS)


class NoParameters(Parameters):
    pass


def read_parameters(request: Request, kind: type[P]) -> P:
    """Raises BadParameters with every fault at once."""
    given, faults = read_texts(request, kind)
    try:
        parameters = kind.model_validate(given)
    except ValidationError as error:
        told = {fault["pointer"] for fault in faults}
        found = [_read_detail(detail) for detail in error.errors(include_url=False)]
        faults += [fault for fault in found if fault["pointer"] not in told]
        raise _refusal(faults) from error
    refuse_parameters(faults)
    return parameters


def read_texts(
    request: Request, kind: type[Parameters]
) -> tuple[dict[str, str], list[dict[str, str]]]:
    """The parameters that `kind` names, as they stand in the address; and what is wrong so far."""
    given: dict[str, str] = {}
    faults = []
    for name, values in request.query_params.lists():
        if name not in kind.model_fields:
            faults.append(fault_in_query(name, _unknown(name, kind.model_fields)))
        elif len(values) > 1:
            faults.append(fault_in_query(name, "Give it once."))
        elif "\0" in values[0]:
            faults.append(fault_in_query(name, "Remove the NUL character."))
        else:
            given[name] = values[0]
    return given, faults


def refuse_parameters(faults: Sequence[Mapping[str, str]]) -> None:
    """Raises BadParameters if there are faults."""
    if faults:
        raise _refusal(faults)


def bad_parameters(
    error: InvalidDocument, faults: Sequence[Mapping[str, str]] = ()
) -> BadParameters:
    """A refusal of the rooms below, where what was sent were parameters."""
    told = [fault_in_query(e.pointer.removeprefix("/"), e.detail) for e in error.errors]
    return _refusal([*faults, *told])


def _refusal(faults: Sequence[Mapping[str, str]]) -> BadParameters:
    count = len(faults)
    return BadParameters(
        f"{count} query parameter{'s' if count != 1 else ''} to correct.", errors=list(faults)
    )


def fault_in_query(name: str, detail: str) -> dict[str, str]:
    # The pointer reads the query as one object, so that programs find the place as in a body.
    step = name[:100].replace("\0", "").replace("~", "~0").replace("/", "~1")
    return {"pointer": f"/{step}", "in": "query", "detail": detail}


def _read_detail(detail: ErrorDetails) -> dict[str, str]:
    name, context = str(detail["loc"][0]), detail.get("ctx", {})
    if detail["type"] == "literal_error":
        return fault_in_query(
            name, f"Give one of {str(context['expected']).replace(' or ', ', ')}."
        )
    if detail["type"] == "casebook":
        return fault_in_query(name, str(context["message"]))
    if detail["type"] in _LIMITS:
        return fault_in_query(name, _LIMITS[detail["type"]].format_map(context))
    message = _MESSAGES.get(detail["type"], detail["msg"].rstrip(".") + ".")
    return fault_in_query(name, message)


_MESSAGES = {
    "missing": "This is required.",
    "int_parsing": "Give a whole number.",
    "bool_parsing": "Give true or false.",
    "date_from_datetime_parsing": "Give a day as YYYY-MM-DD.",
    "date_from_datetime_inexact": "Give a day as YYYY-MM-DD.",
    "date_parsing": "Give a day as YYYY-MM-DD.",
}
_LIMITS = {
    "greater_than_equal": "Give at least {ge}.",
    "less_than_equal": "Give at most {le}.",
    "string_too_short": "This must not be empty.",
    "string_too_long": "Give at most {max_length} characters.",
}


def _unknown(name: str, known: Iterable[str]) -> str:
    names = list(known)
    near = get_close_matches(name, names, n=1, cutoff=0.7)
    if near:
        return f"There is no parameter {name[:60]!r} here; did you mean {near[0]}?"
    listed = f"there are {', '.join(names)}" if names else "there are none"
    return f"There is no parameter {name[:60]!r} here; {listed}."


def describe_parameters(kind: type[Parameters]) -> list[OpenApiParameter]:
    """For OpenAPI: the same fields that are read."""
    schema = kind.model_json_schema()
    required = schema.get("required", [])
    return [
        OpenApiParameter(
            name,
            _without_null(property_),
            OpenApiParameter.QUERY,
            required=name in required,
            description=property_.get("description", ""),
        )
        for name, property_ in schema.get("properties", {}).items()
    ]


def _without_null(property_: Mapping[str, Any]) -> dict[str, Any]:
    """A parameter is left out, never null."""
    plain = {k: v for k, v in property_.items() if k not in ("title", "description")}
    options = [option for option in plain.pop("anyOf", []) if option != {"type": "null"}]
    if plain.get("default", 0) is None:
        del plain["default"]
    plain |= options[0] if len(options) == 1 else {"anyOf": options} if options else {}
    # The limit of all texts says nothing about one of them.
    return {k: v for k, v in plain.items() if (k, v) != ("maxLength", _MOST_CHARACTERS)}
