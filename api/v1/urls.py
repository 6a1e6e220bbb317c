"""Addresses under /api/v1/."""

from __future__ import annotations

from django.urls import path

from api.v1 import cases, codes, exports, plans, reference, searching, shared_cases, statistics

urlpatterns = [
    path("vocabulary", reference.VocabularyView.as_view()),
    path("codes", codes.CodesView.as_view()),
    path("codes/<str:code>", codes.CodeView.as_view()),
    path("vin", reference.VinView.as_view()),
    path("cases", cases.CasesView.as_view()),
    path("cases/preview", cases.CasePreviewView.as_view()),
    path("cases/<uuid:case_id>", cases.CaseView.as_view()),
    path("cases/<uuid:case_id>/attempts", cases.AttemptsView.as_view()),
    path("cases/<uuid:case_id>/follow_ups", cases.FollowUpsView.as_view()),
    path("follow_ups/due", cases.DueView.as_view()),
    path("search", searching.SearchView.as_view()),
    path("plans", plans.PlansView.as_view()),
    path("shared_cases/<uuid:shared_id>", shared_cases.SharedCaseView.as_view()),
    path("statistics", statistics.StatisticsView.as_view()),
    path("exports", exports.ExportsView.as_view()),
    path("exports/<uuid:export_id>", exports.ExportView.as_view()),
    path("exports/<uuid:export_id>/file", exports.ExportFileView.as_view()),
    path("me", reference.MeView.as_view()),
    path("schema", reference.SchemaView.as_view()),
]
