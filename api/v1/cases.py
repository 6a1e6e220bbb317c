"""A shop's own cases: post, read, list, change, withdraw, add to."""

from __future__ import annotations

from datetime import date
from typing import Annotated, Any, Literal, cast
from uuid import UUID

from django.http import HttpResponse
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from pydantic import BeforeValidator, Field
from rest_framework.request import Request

from api.auth import MayContribute
from api.idempotency import IDEMPOTENCY_KEY, REPLAYED, answer_once
from api.pagination import Cursor, PageParameters, cut_page, respond_page
from api.parameters import read_parameters
from api.parsers import MergePatchParser, StrictJSONParser
from api.v1 import answers, examples
from api.v1.requests import CaseChanges
from api.views import ApiView, quote_tag, respond, respond_tagged, shop_of, versions_matched
from casebook.cases.documents import (
    AttemptDocument,
    CaseDocument,
    Day,
    FollowUpDocument,
    fault,
    known_key,
)
from casebook.cases.models import Case
from casebook.cases.queries import (
    CaseFilters,
    Place,
    describe_case,
    get_case,
    list_cases,
    list_due,
)
from casebook.cases.reading import read_case
from casebook.cases.services import (
    add_attempt,
    add_follow_up,
    create_case,
    preview_case,
    today,
    update_case,
    withdraw_case,
)
from casebook.errors import StaleVersion
from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.codes import CodeError, parse_code

ETAG = OpenApiParameter(
    "ETag",
    str,
    OpenApiParameter.HEADER,
    response=[200, 201],
    description="The case's version: send it as If-Match with a change.",
)
LOCATION = OpenApiParameter(
    "Location", str, OpenApiParameter.HEADER, response=[201], description="The case's address."
)
MADE = [IDEMPOTENCY_KEY, ETAG, LOCATION, REPLAYED]
IF_MATCH = OpenApiParameter(
    "If-Match", str, OpenApiParameter.HEADER, description="The ETag that you last saw."
)


def _known_unit_kind(text: str) -> str:
    return known_key(text, load_vocabulary().units, "unit kinds")


def _readable_code(text: str) -> str:
    try:
        return parse_code(text).code
    except CodeError as error:
        raise fault(str(error)) from error


class CaseListParameters(PageParameters):
    state: Literal["open", "repaired", "followed"] | None = None
    opened_from: Day | None = Field(None, description="First day.")
    opened_to: Day | None = Field(None, description="Last day, inclusive.")
    unit_kind: Annotated[str, BeforeValidator(_known_unit_kind)] | None = None
    code: Annotated[str, BeforeValidator(_readable_code)] | None = Field(
        None, description="A trouble code; a failure type behind it is not looked at."
    )
    shop_reference: str | None = Field(None, description="Exactly as posted.")


def _between(cursor: Cursor | None) -> dict[str, Place | None]:
    place = None if cursor is None else Place(cursor.day, cursor.id)
    if cursor is not None and cursor.backwards:
        return {"after": None, "before": place}
    return {"after": place, "before": None}


def _respond_case(request: Request, case: Case, *, status: int = 200) -> HttpResponse:
    headers = {"ETag": quote_tag(case.version)}
    if status == 201:
        headers["Location"] = f"/api/v1/cases/{case.pk}"
    return respond(describe_case(case), status=status, headers=headers)


class CasesView(ApiView):
    permission_classes = (MayContribute,)
    parameters = {"get": CaseListParameters}

    @extend_schema(
        operation_id="list_cases",
        summary="The shop's own cases, newest opened first",
        responses=answers.CasePage,
    )
    def get(self, request: Request) -> HttpResponse:
        given = read_parameters(request, CaseListParameters)
        cursor = given.read_cursor()
        found = list_cases(
            shop=shop_of(request),
            filters=CaseFilters(**given.model_dump(exclude={"limit", "cursor"})),
            **_between(cursor),
            limit=given.limit + 1,
        )
        page = cut_page(
            found, limit=given.limit, cursor=cursor, place_of=lambda case: (case.opened_on, case.pk)
        )
        return respond_page(request, page, describe_case)

    @extend_schema(
        operation_id="create_case",
        summary="Posts a case",
        description="All faults are reported at once. What is implausible but possible is stored, "
        "and listed in warnings.",
        parameters=MADE,
        request=CaseDocument,
        responses={201: answers.Case},
        examples=[examples.CASE],
    )
    def post(self, request: Request) -> HttpResponse:
        def make() -> HttpResponse:
            document = read_case(request.data, today=today())
            shop = shop_of(request)
            case_id = create_case(shop=shop, document=document).pk
            return _respond_case(request, get_case(shop=shop, case_id=case_id), status=201)

        return answer_once(request, make)


class CasePreviewView(ApiView):
    permission_classes = (MayContribute,)

    @extend_schema(
        operation_id="preview_case",
        summary="Checks a case and shows exactly what other shops would see; stores nothing",
        request=CaseDocument,
        responses=answers.CasePreview,
        examples=[examples.CASE],
    )
    def post(self, request: Request) -> HttpResponse:
        return respond(preview_case(document=read_case(request.data, today=today())))


class CaseView(ApiView):
    permission_classes = (MayContribute,)
    tagged = True
    parser_classes = (StrictJSONParser, MergePatchParser)

    @extend_schema(
        operation_id="get_case",
        summary="One of the shop's own cases",
        responses=answers.Case,
    )
    def get(self, request: Request, case_id: UUID) -> HttpResponse:
        case = get_case(shop=shop_of(request), case_id=case_id)
        return respond_tagged(request, describe_case(case), tag=str(case.version))

    @extend_schema(
        operation_id="update_case",
        summary="Changes a case",
        description="A JSON merge patch (RFC 7396): objects merge, lists replace, null clears.",
        parameters=[IF_MATCH, ETAG],
        request=CaseChanges,
        responses=answers.Case,
    )
    def patch(self, request: Request, case_id: UUID) -> HttpResponse:
        case = update_case(
            shop=shop_of(request),
            case_id=case_id,
            # Whatever isn't an object, the service refuses in its own words.
            changes=cast("dict[str, Any]", request.data),
            version=_asked_version(request, case_id, required=True),
        )
        return _respond_case(request, case)

    @extend_schema(
        operation_id="withdraw_case",
        summary="Withdraws a case: gone from search at once",
        parameters=[IF_MATCH],
        responses={204: OpenApiResponse(description="It is gone.")},
    )
    def delete(self, request: Request, case_id: UUID) -> HttpResponse:
        withdraw_case(
            shop=shop_of(request), case_id=case_id, version=_asked_version(request, case_id)
        )
        return HttpResponse(status=204)


def _asked_version(request: Request, case_id: UUID, *, required: bool = False) -> int | None:
    """The version that the service shall insist on, by If-Match. Of several, the present one.

    An addition loses nobody's change, so there it is no must; where it is sent, it counts.
    """
    versions = versions_matched(request, required=required)
    if versions is None or len(versions) == 1:
        return None if versions is None else next(iter(versions))
    case = get_case(shop=shop_of(request), case_id=case_id)
    if case.version not in versions:
        raise StaleVersion()
    return case.version


class AttemptsView(ApiView):
    permission_classes = (MayContribute,)

    @extend_schema(
        operation_id="add_attempt",
        summary="Adds what was done",
        parameters=[*MADE, IF_MATCH],
        request=AttemptDocument,
        responses={201: answers.Case},
        examples=[examples.ATTEMPT],
    )
    def post(self, request: Request, case_id: UUID) -> HttpResponse:
        def make() -> HttpResponse:
            case = add_attempt(
                shop=shop_of(request),
                case_id=case_id,
                data=request.data,
                version=_asked_version(request, case_id),
            )
            return _respond_case(request, case, status=201)

        return answer_once(request, make)


class FollowUpsView(ApiView):
    permission_classes = (MayContribute,)

    @extend_schema(
        operation_id="add_follow_up",
        summary="Adds what was seen later",
        parameters=[*MADE, IF_MATCH],
        request=FollowUpDocument,
        responses={201: answers.Case},
        examples=[examples.FOLLOW_UP],
    )
    def post(self, request: Request, case_id: UUID) -> HttpResponse:
        def make() -> HttpResponse:
            case = add_follow_up(
                shop=shop_of(request),
                case_id=case_id,
                data=request.data,
                version=_asked_version(request, case_id),
            )
            return _respond_case(request, case, status=201)

        return answer_once(request, make)


class DueView(ApiView):
    permission_classes = (MayContribute,)
    parameters = {"get": PageParameters}

    @extend_schema(
        operation_id="list_due",
        summary="The shop's cases whose outcome is owed, the longest owed first",
        description="A case leaves the list when its follow-up is recorded.",
        responses=answers.CasePage,
    )
    def get(self, request: Request) -> HttpResponse:
        given = read_parameters(request, PageParameters)
        cursor = given.read_cursor()
        found = list_due(
            shop=shop_of(request), today=today(), **_between(cursor), limit=given.limit + 1
        )
        page = cut_page(found, limit=given.limit, cursor=cursor, place_of=_due_place)
        return respond_page(request, page, describe_case)


def _due_place(case: Case) -> tuple[date, UUID]:
    # The list holds only cases with such a day.
    return cast("date", case.next_due_on), case.pk
