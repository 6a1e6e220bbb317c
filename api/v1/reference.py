"""Looking things up: the vocabulary, trouble codes, what a VIN says, who the caller is."""

from __future__ import annotations

from dataclasses import asdict

from django.conf import settings
from django.http import HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request

from api.auth import AnyCaller, Open, caller_of
from api.pagination import PAGE_SIZE
from api.schema import build_schema
from api.v1 import answers, reference_answers
from api.v1.requests import VinQuestion, read_vin_question
from api.views import ApiView, respond, respond_tagged
from casebook.cases.services import today
from casebook.errors import FieldError, InvalidDocument
from casebook.vocabulary import load_vocabulary
from casebook.vocabulary.makes import look_up_make
from casebook.vocabulary.vin import VinError, read_vin, tidy_vin


class VocabularyView(ApiView):
    permission_classes = (AnyCaller,)
    tagged = True

    @extend_schema(
        operation_id="get_vocabulary",
        summary="Every key that a case may use, with its label",
        description="Ask with If-None-Match: it changes rarely.",
        responses=reference_answers.VocabularyDocument,
    )
    def get(self, request: Request) -> HttpResponse:
        vocabulary = load_vocabulary()
        return respond_tagged(request, vocabulary.as_document(), tag=vocabulary.version)


class VinView(ApiView):
    permission_classes = (AnyCaller,)

    @extend_schema(
        operation_id="read_vin",
        summary="What a VIN says; it is neither stored nor logged",
        request=VinQuestion,
        responses=reference_answers.Vin,
    )
    def post(self, request: Request) -> HttpResponse:
        question = read_vin_question(request.data)
        try:
            vin = tidy_vin(question)
        except VinError as error:
            raise InvalidDocument([FieldError("/vin", str(error))]) from error
        maker = look_up_make(vin)
        named = {
            "make": maker.make if maker else None,
            "model": maker.model if maker else None,
            "make_source": maker.source if maker else None,
        }
        return respond(asdict(read_vin(vin, today=today())) | named)


class MeView(ApiView):
    permission_classes = (AnyCaller,)

    @extend_schema(
        operation_id="get_me",
        summary="For which shop the caller speaks, with which roles and limits",
        responses=answers.Me,
    )
    def get(self, request: Request) -> HttpResponse:
        caller = caller_of(request)
        shop = caller.shop
        return respond(
            {
                "shop": {"id": str(shop.pk), "name": shop.name, "region": shop.region},
                "roles": sorted(caller.roles),
                "key": caller.key.shown_as if caller.key else None,
                "person": caller.person.email if caller.person else None,
                "limits": {
                    "body_bytes": settings.DATA_UPLOAD_MAX_MEMORY_SIZE,
                    "page_size": PAGE_SIZE,
                    "search_results": 100,
                },
            }
        )


class SchemaView(ApiView):
    authentication_classes = ()
    permission_classes = (Open,)
    tagged = True

    @extend_schema(
        operation_id="get_schema",
        summary="This description, as OpenAPI 3.1",
        responses=OpenApiTypes.OBJECT,
    )
    def get(self, request: Request) -> HttpResponse:
        return respond_tagged(request, build_schema())
