"""Statistics as files, made by a job."""

from __future__ import annotations

from uuid import UUID

from django.http import FileResponse, HttpResponse
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, OpenApiResponse, extend_schema
from rest_framework.request import Request

from api.auth import MayAnalyse
from api.idempotency import IDEMPOTENCY_KEY, REPLAYED, answer_once
from api.v1 import examples
from api.v1 import statistics_answers as answers
from api.views import ApiView, respond, shop_of
from casebook.outcomes.exports import create_export, describe_export, export_file, get_export
from casebook.outcomes.requests import ExportRequest, read_export_request

LOCATION = OpenApiParameter(
    "Location", str, OpenApiParameter.HEADER, response=[202], description="The job's address."
)


class ExportsView(ApiView):
    permission_classes = (MayAnalyse,)

    @extend_schema(
        operation_id="create_export",
        summary="Asks for a table of statistics as a file",
        description="Ask for the job until its state is finished, then fetch its file.",
        parameters=[IDEMPOTENCY_KEY, REPLAYED, LOCATION],
        request=ExportRequest,
        responses={202: answers.Export},
        examples=[examples.EXPORT],
    )
    def post(self, request: Request) -> HttpResponse:
        def make() -> HttpResponse:
            job = create_export(shop=shop_of(request), request=read_export_request(request.data))
            address = f"/api/v1/exports/{job.pk}"
            return respond(describe_export(job), status=202, headers={"Location": address})

        return answer_once(request, make)


class ExportView(ApiView):
    permission_classes = (MayAnalyse,)

    @extend_schema(
        operation_id="get_export",
        summary="How far a job is, and what its file holds",
        responses=answers.Export,
    )
    def get(self, request: Request, export_id: UUID) -> HttpResponse:
        return respond(describe_export(get_export(shop=shop_of(request), export_id=export_id)))


class ExportFileView(ApiView):
    permission_classes = (MayAnalyse,)

    @extend_schema(
        operation_id="get_export_file",
        summary="The file of a finished job",
        responses={
            (200, "text/csv"): OpenApiResponse(OpenApiTypes.STR, description="UTF-8, RFC 4180.")
        },
    )
    def get(self, request: Request, export_id: UUID) -> FileResponse:
        path, name = export_file(shop=shop_of(request), export_id=export_id)
        response = FileResponse(
            path.open("rb"),
            as_attachment=True,
            filename=name,
            content_type="text/csv; charset=utf-8; header=present",
        )
        response["Cache-Control"] = "private, no-store"
        return response
