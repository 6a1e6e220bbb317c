"""Cases as their shop keeps them, the anonymised copies that others read, and the outbox."""

from __future__ import annotations

from typing import Any

from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import F, Func, Q
from uuid_utils.compat import uuid7

from casebook.cases.constants import (
    CASE_STATES,
    FOLLOW_UP_STATES,
    LEVELS,
    ODOMETER_UNITS,
    RESULTS,
    UNIT_SOURCES,
)
from casebook.shops.models import Shop, new_public_id

ONE_REFERENCE = "case_reference_once_per_shop"


def one_of(name: str, field: str, values: tuple[str, ...]) -> models.CheckConstraint:
    return models.CheckConstraint(name=name, condition=Q(**{f"{field}__in": list(values)}))


def at_least_zero(name: str, field: str) -> models.CheckConstraint:
    return models.CheckConstraint(
        name=name, condition=Q(**{f"{field}__gte": 0}) | Q(**{f"{field}__isnull": True})
    )


class TransactionIdField(models.Field):  # type: ignore[type-arg]
    """PostgreSQL's 64-bit transaction id (xid8), read as an integer."""

    def db_type(self, connection: Any) -> str:
        return "xid8"

    def get_prep_value(self, value: Any) -> Any:
        # As text: PostgreSQL has no cast from integer to xid8, but reads the literal.
        return None if value is None else str(value)

    def from_db_value(self, value: Any, expression: Any, connection: Any) -> int | None:
        return None if value is None else int(value)


def current_transaction() -> Func:
    return Func(function="pg_current_xact_id")


class Case(models.Model):
    """One vehicle with one complaint, from intake to known outcome, as its shop wrote it."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    shop = models.ForeignKey(Shop, models.PROTECT, related_name="cases")
    shared_id = models.UUIDField(unique=True, default=new_public_id, editable=False)
    version = models.PositiveIntegerField(default=1)
    state = models.CharField(max_length=10, default="open")
    shop_reference = models.CharField(max_length=100, blank=True)
    complaint_no = models.PositiveSmallIntegerField(default=1)
    opened_on = models.DateField()

    year = models.PositiveSmallIntegerField()
    make = models.CharField(max_length=60)
    model = models.CharField(max_length=80, blank=True)
    engine = models.CharField(max_length=80, blank=True)
    drive = models.CharField(max_length=30, blank=True)
    odometer_value = models.FloatField(null=True, blank=True)
    odometer_unit = models.CharField(max_length=2, blank=True)
    # Keyed hash of the VIN: links visits inside the server; the VIN itself is never stored.
    vehicle_link = models.BinaryField(null=True, blank=True)

    unit_kind = models.CharField(max_length=40)
    unit_family = models.CharField(max_length=60, blank=True)
    complaint = models.TextField(blank=True)
    notes = models.TextField(blank=True)
    codes = models.JSONField(default=list)
    symptoms = models.JSONField(default=list)
    findings = models.JSONField(default=list)
    # The codes alone, for filters.
    code_list = ArrayField(models.CharField(max_length=5), default=list)
    cause_text = models.TextField(blank=True)
    cause_confirmed = models.BooleanField(default=False)

    masked = models.JSONField(default=list)
    warnings = models.JSONField(default=list)
    next_due_on = models.DateField(null=True, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    updated_at = models.DateTimeField(auto_now=True)
    changed_xid = TransactionIdField(db_default=current_transaction(), editable=False)

    class Meta:
        constraints = [
            # What the composite foreign keys of attempts and follow-ups point at.
            models.UniqueConstraint(name="case_of_shop", fields=["shop", "id"]),
            models.UniqueConstraint(
                name=ONE_REFERENCE,
                fields=["shop", "shop_reference", "complaint_no"],
                condition=~Q(shop_reference=""),
            ),
            one_of("case_state_known", "state", CASE_STATES),
            models.CheckConstraint(
                name="case_year_plausible", condition=Q(year__range=(1886, 2200))
            ),
            models.CheckConstraint(name="case_has_make", condition=~Q(make="")),
            models.CheckConstraint(name="case_has_unit_kind", condition=~Q(unit_kind="")),
            models.CheckConstraint(
                name="case_odometer_with_unit",
                condition=Q(odometer_value__isnull=True, odometer_unit="")
                | Q(
                    odometer_value__isnull=False,
                    odometer_value__gte=0,
                    odometer_unit__in=list(ODOMETER_UNITS),
                ),
            ),
            models.CheckConstraint(
                name="case_says_something",
                condition=~Q(complaint="") | ~Q(codes=[]) | ~Q(symptoms=[]) | ~Q(findings=[]),
            ),
            models.CheckConstraint(
                name="case_complaint_no_positive", condition=Q(complaint_no__gte=1)
            ),
            models.CheckConstraint(name="case_version_positive", condition=Q(version__gte=1)),
        ]
        indexes = [
            models.Index("shop", F("opened_on").desc(), F("id").desc(), name="case_by_opening"),
            models.Index("shop", "next_due_on", name="case_by_due_day"),
            models.Index("shop", "changed_xid", name="case_by_change"),
            models.Index(
                "vehicle_link", name="case_by_vehicle", condition=Q(vehicle_link__isnull=False)
            ),
        ]

    def __str__(self) -> str:
        return f"{self.make} {self.model} {self.year}: {self.unit_kind}"


class Attempt(models.Model):
    """One try at repair, at one level."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    shop = models.ForeignKey(Shop, models.PROTECT, related_name="+", db_index=False)
    # The database holds (shop, case) as one composite key: see the first migration.
    case = models.ForeignKey(
        Case, models.CASCADE, related_name="attempts", db_constraint=False, db_index=False
    )
    position = models.PositiveSmallIntegerField()
    on = models.DateField()
    level = models.CharField(max_length=12)
    actions = ArrayField(models.CharField(max_length=80), default=list)
    unit_kind = models.CharField(max_length=40, blank=True)
    unit_family = models.CharField(max_length=60, blank=True)
    unit_source = models.CharField(max_length=14, blank=True)
    parts_cost = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    labour_hours = models.DecimalField(max_digits=6, decimal_places=2, null=True, blank=True)
    labour_cost = models.DecimalField(max_digits=12, decimal_places=2, null=True, blank=True)
    currency = models.CharField(max_length=3, blank=True)
    result = models.CharField(max_length=16)

    class Meta:
        ordering = ["position"]
        constraints = [
            models.UniqueConstraint(
                name="attempt_position_once", fields=["shop", "case", "position"]
            ),
            one_of("attempt_level_known", "level", LEVELS),
            one_of("attempt_result_known", "result", RESULTS),
            models.CheckConstraint(
                name="attempt_source_of_replacement_only",
                condition=Q(unit_source="")
                | Q(unit_source__in=list(UNIT_SOURCES), level="replacement"),
            ),
            models.CheckConstraint(
                name="attempt_cost_has_currency",
                condition=Q(parts_cost__isnull=True, labour_cost__isnull=True)
                | Q(currency__regex=r"^[A-Z]{3}$"),
            ),
            at_least_zero("attempt_parts_not_negative", "parts_cost"),
            at_least_zero("attempt_hours_not_negative", "labour_hours"),
            at_least_zero("attempt_labour_not_negative", "labour_cost"),
        ]

    def __str__(self) -> str:
        return f"{self.on}: {self.level}"


class FollowUp(models.Model):
    """What was seen of a repair later on."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    shop = models.ForeignKey(Shop, models.PROTECT, related_name="+", db_index=False)
    case = models.ForeignKey(
        Case, models.CASCADE, related_name="follow_ups", db_constraint=False, db_index=False
    )
    on = models.DateField()
    state = models.CharField(max_length=12)
    odometer_value = models.FloatField(null=True, blank=True)
    odometer_unit = models.CharField(max_length=2, blank=True)

    class Meta:
        ordering = ["on", "id"]
        indexes = [models.Index(fields=["shop", "case"], name="follow_up_of_case")]
        constraints = [
            one_of("follow_up_state_known", "state", FOLLOW_UP_STATES),
            models.CheckConstraint(
                name="follow_up_odometer_with_unit",
                condition=Q(odometer_value__isnull=True, odometer_unit="")
                | Q(
                    odometer_value__isnull=False,
                    odometer_value__gte=0,
                    odometer_unit__in=list(ODOMETER_UNITS),
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.on}: {self.state}"


class SharedCase(models.Model):
    """The anonymised copy of a case: all that other shops' searches and statistics ever read.

    Written in the transaction that changes the case. The typed columns repeat what statistics
    and filters need; `document` is what is shown and compared. The database itself stamps
    `changed_xid` on every write and notes removals (see the first migration).
    """

    id = models.UUIDField(primary_key=True, default=new_public_id, editable=False)
    shop = models.ForeignKey(Shop, models.PROTECT, related_name="+")
    cluster = models.PositiveIntegerField()
    document = models.JSONField()
    unit_kind = models.CharField(max_length=40)
    unit_family = models.CharField(max_length=60, blank=True)
    make = models.CharField(max_length=60)
    model = models.CharField(max_length=80, blank=True)
    year = models.PositiveSmallIntegerField()
    odometer_km = models.FloatField(null=True)
    opened_month = models.DateField()
    first_level = models.CharField(max_length=12, null=True)  # noqa: DJ001
    event = models.CharField(max_length=10, null=True)  # noqa: DJ001
    event_days = models.FloatField(null=True)
    resolved_by = models.CharField(max_length=12, null=True)  # noqa: DJ001
    # Levels tried, in order.
    path = ArrayField(models.CharField(max_length=12), default=list)
    event_km = models.FloatField(null=True)
    other_fault_days = models.FloatField(null=True)
    gone_days = models.FloatField(null=True)
    watched_days = models.FloatField(null=True)
    # What its own shop says of the outcome. The database derives the outcome's columns from it and
    # from later visits of the same vehicle, which no shop can see (see the third migration).
    told = models.JSONField(null=True)
    severity = models.FloatField(null=True)
    actions = ArrayField(models.CharField(max_length=80), default=list)
    codes = ArrayField(models.CharField(max_length=5), default=list)
    cost = models.DecimalField(max_digits=12, decimal_places=2, null=True)
    currency = models.CharField(max_length=3, blank=True)
    changed_xid = TransactionIdField(db_default=current_transaction(), editable=False)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="shared_event_whole",
                condition=Q(first_level__isnull=True, event__isnull=True, event_days__isnull=True)
                # A comparison with NULL is no refusal: each part must be there.
                | Q(
                    first_level__isnull=False,
                    event__isnull=False,
                    event_days__isnull=False,
                    first_level__in=list(LEVELS),
                    event__in=["none", "came_back", "gone"],
                    event_days__gte=0,
                ),
            ),
            models.CheckConstraint(name="shared_month_only", condition=Q(opened_month__day=1)),
            models.CheckConstraint(
                name="shared_resolved_by_level",
                condition=Q(resolved_by__isnull=True) | Q(resolved_by__in=list(LEVELS)),
            ),
        ]
        indexes = [
            models.Index(fields=["changed_xid"], name="shared_by_change"),
            models.Index(fields=["unit_kind", "unit_family"], name="shared_by_unit"),
        ]

    def __str__(self) -> str:
        return str(self.id)


class SharedRemoval(models.Model):
    """A shared case that is gone; every process masks it before its next answer."""

    shared_id = models.UUIDField(primary_key=True)
    changed_xid = TransactionIdField(db_default=current_transaction(), editable=False)
    at = models.DateTimeField(auto_now_add=True)

    class Meta:
        indexes = [models.Index(fields=["changed_xid"], name="removal_by_change")]

    def __str__(self) -> str:
        return str(self.shared_id)


class Outbox(models.Model):
    """What a change must cause, written with the change; the relay carries it out."""

    id = models.BigAutoField(primary_key=True)
    topic = models.CharField(max_length=60)
    key = models.CharField(max_length=100, blank=True)
    created_at = models.DateTimeField(auto_now_add=True)
    not_before = models.DateTimeField(auto_now_add=True)
    attempts = models.PositiveSmallIntegerField(default=0)
    last_error = models.TextField(blank=True)
    quarantined_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        indexes = [
            models.Index(
                fields=["not_before", "id"],
                name="outbox_waiting",
                condition=Q(quarantined_at__isnull=True),
            )
        ]

    def __str__(self) -> str:
        return f"{self.topic} {self.key}"


class ImportRun(models.Model):
    """How far an import of one file has come; a repeated run goes on from there."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    shop = models.ForeignKey(Shop, models.PROTECT, related_name="imports")
    file_hash = models.CharField(max_length=64)
    state = models.CharField(max_length=10, default="running")
    lines = models.PositiveIntegerField(default=0)
    stored = models.PositiveIntegerField(default=0)
    refused = models.PositiveIntegerField(default=0)
    skipped = models.PositiveIntegerField(default=0)
    created_at = models.DateTimeField(auto_now_add=True)
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(name="import_of_file_once", fields=["shop", "file_hash"]),
            one_of(
                "import_state_known",
                "state",
                ("queued", "running", "finished", "failed", "cancelled"),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.state} {self.lines}"
