"""Trouble codes: what a code says by its structure, and which codes there are."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from pydantic import Field
from rest_framework.request import Request

from api.auth import AnyCaller
from api.parameters import Parameters, read_parameters
from api.v1 import reference_answers as answers
from api.views import ApiView, respond_tagged
from casebook.errors import NotFound
from casebook.vocabulary.code_bytes import name_failure_type
from casebook.vocabulary.codes import CodeError, describe_code, parse_code, search_codes

CODES_SHOWN = 50


class CodeSearchParameters(Parameters):
    q: str = Field(min_length=1, max_length=100, description="The beginning of a code, or words.")
    limit: int = Field(20, ge=1, le=CODES_SHOWN)


class CodesView(ApiView):
    permission_classes = (AnyCaller,)
    tagged = True
    parameters = {"get": CodeSearchParameters}

    @extend_schema(
        operation_id="search_codes",
        summary="Trouble codes that begin like this, or are described with these words",
        responses=answers.CodeList,
    )
    def get(self, request: Request) -> HttpResponse:
        given = read_parameters(request, CodeSearchParameters)
        found = search_codes(given.q, limit=given.limit)
        return respond_tagged(request, {"results": [asdict(code) for code in found]})


class CodeView(ApiView):
    permission_classes = (AnyCaller,)
    tagged = True

    @extend_schema(
        operation_id="get_code",
        summary="What a trouble code says by its structure, and its description where it is public",
        responses=answers.Code,
    )
    def get(self, request: Request, code: str) -> HttpResponse:
        try:
            parsed = parse_code(code)
        except CodeError as error:
            # The address names something that can't exist; say why.
            raise NotFound(str(error)) from error
        answer: dict[str, Any] = asdict(describe_code(parsed.code))
        answer["failure_type"] = parsed.failure_type and {
            "key": parsed.failure_type,
            "label": name_failure_type(parsed.failure_type),
        }
        return respond_tagged(request, answer)
