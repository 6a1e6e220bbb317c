"""Single cases as other shops may see them."""

from __future__ import annotations

from uuid import UUID

from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request

from api.auth import MaySearch
from api.v1 import answers
from api.views import ApiView, respond_tagged
from casebook.cases.queries import get_shared_case


class SharedCaseView(ApiView):
    permission_classes = (MaySearch,)
    tagged = True

    @extend_schema(
        operation_id="get_shared_case",
        summary="One case as other shops may see it",
        responses=answers.SharedCase,
    )
    def get(self, request: Request, shared_id: UUID) -> HttpResponse:
        return respond_tagged(request, get_shared_case(shared_id=shared_id))
