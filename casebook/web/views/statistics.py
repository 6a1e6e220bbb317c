"""Outcome statistics as a table with an address that makes it again, and its file."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.http import FileResponse, HttpRequest, HttpResponse
from django.http.response import HttpResponseBase
from django.shortcuts import redirect
from django.views.decorators.http import require_http_methods, require_safe

from casebook.errors import InvalidDocument
from casebook.outcomes.exports import (
    create_export,
    describe_export,
    export_file,
    get_export,
    list_exports,
)
from casebook.outcomes.requests import (
    GROUPS,
    MOST_GROUPS,
    read_export_request,
    read_statistics_address,
)
from casebook.outcomes.statistics import outcome_statistics
from casebook.shops.roles import ANALYST
from casebook.web.access import page, shop_of, show
from casebook.web.choices import Fault, Option
from casebook.web.tables import (
    FILTER_NAMES,
    GROUP_NAMES,
    WITHOUT_FIELD,
    filter_fields,
    present_export,
    present_table,
    say_filters,
    say_moment,
)
from casebook.web.words import say_horizon


def read_address(request: HttpRequest) -> dict[str, str]:
    """The parameters of the address. Groups may come one by one, as a form sends them."""
    given = {name: request.GET[name] for name in request.GET}
    groups = [group for group in request.GET.getlist("group_by") if group]
    if "group_by" in request.GET:
        given["group_by"] = ",".join(groups)
    else:
        given["group_by"] = "unit_kind"
    return given


@require_safe
@page(ANALYST)
def statistics(request: HttpRequest) -> HttpResponse:
    given = read_address(request)
    faults: dict[str, list[str]] = {}
    answer: dict[str, Any] | None = None
    try:
        answer = outcome_statistics(read_statistics_address(given))
    except InvalidDocument as error:
        for fault in error.errors:
            faults.setdefault(fault.pointer.strip("/").split("/")[0], []).append(fault.detail)
    fields = filter_fields(given, faults)
    context: dict[str, Any] = {
        "groups": _group_choices(given["group_by"].split(",")),
        "fields": fields,
        "filters": say_filters(fields),
        "form": {
            "faults": [
                Fault(name, FILTER_NAMES.get(name, ""), detail)
                for name, details in faults.items()
                for detail in details
            ]
        },
        "aside": [fields[name] for name in WITHOUT_FIELD if given.get(name)],
        "carried": sorted((name, value) for name, value in given.items() if value),
    }
    if answer is not None:
        context |= {
            "table": present_table(answer["rows"], answer["dimensions"]),
            "horizon": say_horizon(answer["horizon_days"]),
            "as_of": say_moment(answer["as_of"]),
        }
    return show(request, "web/statistics.html", context, 422 if faults else 200)


@require_http_methods(["GET", "HEAD", "POST"])
@page(ANALYST)
def exports(request: HttpRequest) -> HttpResponse:
    """The shop's files, and where one is asked for."""
    if request.method != "POST":
        jobs = [present_export(describe_export(job)) for job in list_exports(shop=shop_of(request))]
        return show(request, "web/exports.html", {"exports": jobs})
    given = {name: request.POST[name] for name in request.POST if name != "csrfmiddlewaretoken"}
    query = read_statistics_address(given)
    job = create_export(
        shop=shop_of(request),
        request=read_export_request({**query.as_document(), "format": "csv"}),
    )
    return redirect(f"/statistics/exports/{job.pk}")


@require_safe
@page(ANALYST)
def export(request: HttpRequest, export_id: UUID) -> HttpResponse:
    job = get_export(shop=shop_of(request), export_id=export_id)
    return show(request, "web/export.html", {"export": present_export(describe_export(job))})


@require_safe
@page(ANALYST)
def export_csv(request: HttpRequest, export_id: UUID) -> HttpResponseBase:
    path, name = export_file(shop=shop_of(request), export_id=export_id)
    # The response closes the file once it is sent.
    return FileResponse(
        path.open("rb"),
        as_attachment=True,
        filename=name,
        content_type="text/csv; charset=utf-8",
    )


def _group_choices(chosen: list[str]) -> list[list[Option]]:
    """One list to choose from per place."""
    places = [*chosen, *[""] * MOST_GROUPS][:MOST_GROUPS]
    return [[Option(name, GROUP_NAMES[name], name == place) for name in GROUPS] for place in places]
