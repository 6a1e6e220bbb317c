"""Looking for cases like the one in the bay."""

from __future__ import annotations

from django.http import HttpResponse
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request

from api.auth import MaySearch
from api.v1 import examples, search_answers
from api.views import ApiView, respond, shop_of
from casebook.cases.documents import SearchDocument
from casebook.cases.reading import read_search
from casebook.cases.services import today
from casebook.outcomes.answer import answer_search


class SearchView(ApiView):
    permission_classes = (MaySearch,)

    @extend_schema(
        operation_id="search",
        summary="Similar cases, why they are alike, and what became of them",
        description="Everything is optional; one thing is enough. Stores nothing.",
        request=SearchDocument,
        responses=search_answers.SearchAnswer,
        examples=[examples.SEARCH],
    )
    def post(self, request: Request) -> HttpResponse:
        document = read_search(request.data, today=today())
        return respond(answer_search(shop=shop_of(request), document=document))
