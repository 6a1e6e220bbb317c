"""Exports of statistics as jobs; what is learned of the evidence."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from uuid_utils.compat import uuid7

from casebook.shops.models import Shop

QUEUED, RUNNING, FINISHED, FAILED = "queued", "running", "finished", "failed"
STATES = (QUEUED, RUNNING, FINISHED, FAILED)


class ExportJob(models.Model):
    """A table that was asked for as a file. The file lies in the folder of its shop and id."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    shop = models.ForeignKey(Shop, models.PROTECT, related_name="exports")
    state = models.CharField(max_length=10, default=QUEUED)
    format = models.CharField(max_length=10)
    query = models.JSONField()
    created_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    rows = models.PositiveIntegerField(null=True, blank=True)
    file_name = models.CharField(max_length=120, blank=True)
    # The data package beside the file: dictionary, query, snapshot, method, hash.
    description = models.JSONField(null=True, blank=True)
    error = models.TextField(blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(name="export_state_known", condition=Q(state__in=list(STATES))),
            models.CheckConstraint(
                name="export_file_when_finished",
                condition=~Q(state=FINISHED)
                | (~Q(file_name="") & Q(rows__isnull=False, description__isnull=False)),
            ),
            models.CheckConstraint(
                name="export_reason_when_failed", condition=~Q(state=FAILED) | ~Q(error="")
            ),
        ]
        indexes = [
            models.Index(fields=["shop", "-created_at"], name="export_by_age"),
        ]

    def __str__(self) -> str:
        return f"{self.format} {self.state}"


class LearnedForecast(models.Model):
    """How likely repairs hold, foretold from the evidence; no case and no shop is in it.

    It reads the profiles of one model of cures, and serves the searches whose index has that
    model. forecast: `casebook.outcomes.forecast.ForecastModel` as a document; null where nothing
    foretold better than the rates of the unit kinds, which report says.
    """

    cures_fingerprint = models.CharField(max_length=16, unique=True)
    horizon_days = models.FloatField()
    forecast = models.JSONField(null=True)
    report = models.JSONField(default=dict)
    learned_at = models.DateTimeField()

    def __str__(self) -> str:
        return self.cures_fingerprint
