"""Comparing plans for the vehicle in the bay by what they cost on average."""

from __future__ import annotations

from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request

from api.auth import MaySearch
from api.v1 import examples
from api.v1.plan_answers import PlansAnswer
from api.views import ApiView, respond, shop_of
from casebook.cases.services import today
from casebook.outcomes.plan_requests import PlansDocument, read_plans
from casebook.outcomes.planning import answer_plans


class PlansView(ApiView):
    permission_classes = (MaySearch,)

    @extend_schema(
        operation_id="compare_plans",
        summary="Service, repair, replace or leave: what each costs on average, and what decides",
        description="Costs that are left out come from the similar cases where enough noted them. "
        "A plan that can't be costed is listed with null and says why. Stores nothing.",
        request=PlansDocument,
        responses=PlansAnswer,
        examples=[examples.PLANS],
    )
    def post(self, request: Request) -> HttpResponse:
        document = read_plans(request.data, today=today())
        return respond(answer_plans(shop=shop_of(request), document=document, today=today()))
