"""Shops (the tenants), their people and their keys."""

from __future__ import annotations

import secrets
import uuid

from django.contrib.auth.models import AbstractBaseUser, BaseUserManager
from django.contrib.postgres.fields import ArrayField
from django.db import models
from django.db.models import Q
from django.db.models.functions import Lower
from uuid_utils.compat import uuid7

from casebook.shops.roles import GRANTED_TO_PERSON, KEY_ROLES, MANAGER, PERSON_ROLES


def new_cluster() -> int:
    """A random number that stands for the shop in pooled data; says nothing of its own."""
    return secrets.randbelow(2**31 - 1) + 1


class Shop(models.Model):
    """A repair business that contributes cases."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    name = models.CharField(max_length=200)
    region = models.CharField(max_length=100)
    cluster = models.PositiveIntegerField(unique=True, default=new_cluster, editable=False)
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [
            models.CheckConstraint(name="shop_has_a_name", condition=~Q(name="")),
        ]

    def __str__(self) -> str:
        return self.name


class PersonManager(BaseUserManager["Person"]):
    def get_by_natural_key(self, email: str | None) -> Person:
        return self.get(email=(email or "").strip().lower())


class Person(AbstractBaseUser):
    """Somebody who signs in; belongs to one shop."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    shop = models.ForeignKey(Shop, models.PROTECT, related_name="people")
    email = models.EmailField(unique=True)
    role = models.CharField(max_length=12, choices=[(role, role) for role in PERSON_ROLES])
    is_active = models.BooleanField(default=True)
    created_at = models.DateTimeField(auto_now_add=True)

    USERNAME_FIELD = "email"
    objects = PersonManager()

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="person_role_known", condition=Q(role__in=list(PERSON_ROLES))
            ),
            # Two spellings of one address must not make two sign-ins.
            models.CheckConstraint(
                name="person_email_lower_case", condition=Q(email=Lower("email"))
            ),
        ]

    def __str__(self) -> str:
        return self.email

    @property
    def granted(self) -> frozenset[str]:
        """Roles in the words that keys use."""
        return GRANTED_TO_PERSON[self.role]

    @property
    def manages_shop(self) -> bool:
        return self.role == MANAGER


class ApiKey(models.Model):
    """A program's key. Only a hash is stored; the key itself is shown once."""

    id = models.UUIDField(primary_key=True, default=uuid7, editable=False)
    shop = models.ForeignKey(Shop, models.PROTECT, related_name="keys")
    name = models.CharField(max_length=100, blank=True)
    roles = ArrayField(models.CharField(max_length=12))
    shown_as = models.CharField(max_length=20)
    digest = models.BinaryField(unique=True, editable=False)
    created_at = models.DateTimeField(auto_now_add=True)
    last_used_at = models.DateTimeField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                name="key_roles_known",
                condition=Q(roles__contained_by=list(KEY_ROLES)) & Q(roles__len__gt=0),
            ),
        ]

    def __str__(self) -> str:
        return self.name or self.shown_as

    @property
    def granted(self) -> frozenset[str]:
        return frozenset(self.roles)


class IdempotencyKey(models.Model):
    """The answer once given to a creating request; a repeat with the same key gets it again.

    Written in the transaction of what the request made, so that either both are there or none.
    """

    id = models.BigAutoField(primary_key=True)
    shop = models.ForeignKey(Shop, models.CASCADE)
    key = models.CharField(max_length=200)
    request_hash = models.BinaryField()
    status = models.PositiveSmallIntegerField()
    headers = models.JSONField(default=dict)
    body = models.BinaryField()
    created_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(name="idempotency_key_once_per_shop", fields=["shop", "key"]),
        ]
        indexes = [models.Index(fields=["created_at"], name="idempotency_by_age")]


def new_public_id() -> uuid.UUID:
    """Random, unlike the time-ordered inner ids: tells no one when, or by whom, it was made."""
    return uuid.uuid4()
