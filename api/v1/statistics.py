"""What became of the pool's cases, grouped and filtered."""

from __future__ import annotations

from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from pydantic import Field
from rest_framework.request import Request

from api.auth import MayAnalyse
from api.parameters import Parameters, bad_parameters, read_texts, refuse_parameters
from api.v1 import statistics_answers as answers
from api.v1.answers import LevelName
from api.views import ApiView, respond
from casebook.errors import InvalidDocument
from casebook.outcomes.requests import GROUPS, StatisticsQuery, read_statistics_address
from casebook.outcomes.statistics import outcome_statistics

MONTH = r"^\d{4}-\d{2}$"


class StatisticsParameters(Parameters):
    """Names, forms and meanings; casebook.outcomes reads the values."""

    group_by: str | None = Field(
        None,
        description=f"One to three of {', '.join(GROUPS)}, with commas between. "
        "Without it: unit_kind.",
    )
    horizon_days: int = Field(
        365, ge=1, le=3_650, description="How long a repair must hold to count as held."
    )
    unit_kind: str | None = None
    unit_family: str | None = None
    make: str | None = None
    model: str | None = None
    year_min: int | None = None
    year_max: int | None = None
    code: str | None = None
    symptom: str | None = None
    check: str | None = None
    result: str | None = Field(None, description="Of the check.")
    level: LevelName | None = Field(None, description="Tried first.")
    action: str | None = None
    opened_from: str | None = Field(None, pattern=MONTH, description="Month, YYYY-MM.")
    opened_to: str | None = Field(None, pattern=MONTH, description="The last month.")


class StatisticsView(ApiView):
    permission_classes = (MayAnalyse,)
    parameters = {"get": StatisticsParameters}

    @extend_schema(
        operation_id="get_statistics",
        summary="Outcomes of the pool's cases, grouped and filtered",
        description="A group of fewer than 5 cases or 3 shops, or one of which one shop has more "
        "than half, is suppressed: its numbers are null. So are those that would give it away by "
        "subtraction.",
        responses=answers.Statistics,
    )
    def get(self, request: Request) -> HttpResponse:
        query = _read_query(request)
        try:
            return respond(outcome_statistics(query))
        except InvalidDocument as error:
            # Too many groups: known only once the pool was read.
            raise bad_parameters(error) from error


def _read_query(request: Request) -> StatisticsQuery:
    given, faults = read_texts(request, StatisticsParameters)
    try:
        query = read_statistics_address(given)
    except InvalidDocument as error:
        raise bad_parameters(error, faults) from error
    refuse_parameters(faults)
    return query
