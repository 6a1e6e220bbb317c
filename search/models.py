"""What the search has learned from resolved cases; no case and no shop is in it."""

from __future__ import annotations

from django.db import models
from django.db.models import Q


class LearnedDesign(models.Model):
    """Weights of the blocks and the model of cures, as learned or set back; one is active.

    The active one is read with every search, so that all processes change over within one search.
    weights: empty where they are as set by hand. model: bytes of `search.core.profile.CureModel`;
    an index goes on with the one it was built with until it is built again.
    """

    class Source(models.TextChoices):
        FIRST = "first"  # the model alone, with weights as set by hand
        TUNED = "tuned"
        BY_HAND = "by_hand"

    learned_at = models.DateTimeField(auto_now_add=True)
    source = models.CharField(max_length=8, choices=Source)
    weights = models.JSONField(default=dict)
    model = models.BinaryField(null=True)
    model_fingerprint = models.CharField(max_length=16, blank=True)
    # How cases were read when it was learned: after a change it is learned anew.
    reading_fingerprint = models.CharField(max_length=16)
    resolved_cases = models.PositiveIntegerField()
    report = models.JSONField(default=dict)
    is_active = models.BooleanField(default=False)
    # Chosen by a person: what is learned by itself later does not replace it.
    is_chosen = models.BooleanField(default=False)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["is_active"], condition=Q(is_active=True), name="one_active_design"
            ),
            models.CheckConstraint(
                name="learned_source_known",
                condition=Q(source__in=["first", "tuned", "by_hand"]),
            ),
            models.CheckConstraint(
                name="model_with_fingerprint",
                condition=Q(model__isnull=True, model_fingerprint="")
                | (Q(model__isnull=False) & ~Q(model_fingerprint="")),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pk} {self.source}"
