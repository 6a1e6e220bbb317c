"""Addresses of the pages."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, path

from casebook.web.views import bench, cases, outcomes, plans, shop, sign_in, statistics, vocabulary

urlpatterns: list[URLPattern | URLResolver] = [
    path("", bench.bench, name="bench"),
    path("plans", plans.plans, name="plans"),
    path("shared/<uuid:shared_id>", bench.shared_case, name="shared-case"),
    path("cases", cases.case_list, name="cases"),
    path("cases/new", cases.new_case, name="new-case"),
    path("cases/<uuid:case_id>", cases.own_case, name="own-case"),
    path("cases/<uuid:case_id>/edit", cases.edit_case, name="edit-case"),
    path("cases/<uuid:case_id>/withdraw", cases.withdraw, name="withdraw"),
    path("cases/<uuid:case_id>/attempt", outcomes.attempt, name="attempt"),
    path("cases/<uuid:case_id>/follow-up", outcomes.follow_up, name="follow-up"),
    path(
        "cases/<uuid:case_id>/take-back/<slug:member>/<int:place>",
        cases.take_back,
        name="take-back",
    ),
    path("due", outcomes.due, name="due"),
    path("statistics", statistics.statistics, name="statistics"),
    path("statistics/exports", statistics.exports, name="exports"),
    path("statistics/exports/<uuid:export_id>", statistics.export, name="export"),
    path("statistics/exports/<uuid:export_id>/file", statistics.export_csv, name="export-file"),
    path("vocabulary", vocabulary.vocabulary, name="vocabulary"),
    path("shop", shop.shop, name="shop"),
    path("about", shop.about, name="about"),
    path("sign-in", sign_in.sign_in, name="sign-in"),
    path("sign-in/<str:uid>/<str:token>", sign_in.choose_password, name="choose-password"),
    path("sign-out", sign_in.sign_out, name="sign-out"),
]
