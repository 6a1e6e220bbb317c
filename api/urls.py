"""Addresses under /api/."""

from __future__ import annotations

from django.urls import include, path, re_path

from api.docs import DocsView, ProblemView
from api.views import UnknownAddress

urlpatterns = [
    path("docs", DocsView.as_view(), name="api-docs"),
    path("docs/problems/<str:code>", ProblemView.as_view(), name="api-problem"),
    path("v1/", include("api.v1.urls")),
    # Last: whatever nobody answers, in the same form as every other refusal.
    re_path("", UnknownAddress.as_view()),
]
