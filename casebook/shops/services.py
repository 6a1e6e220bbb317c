"""Writes on shops, people and keys."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import timedelta
from uuid import UUID

from django.contrib.auth.password_validation import validate_password
from django.contrib.auth.tokens import default_token_generator
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import IntegrityError, transaction
from django.utils import timezone
from django.utils.encoding import force_bytes
from django.utils.http import urlsafe_base64_decode, urlsafe_base64_encode

from casebook.errors import Conflict, FieldError, InvalidDocument, NotFound
from casebook.shops.keys import digest_key, is_well_formed, new_key, shorten_key
from casebook.shops.models import ApiKey, Person, Shop
from casebook.shops.roles import KEY_ROLES, PERSON_ROLES


def add_shop(*, name: str, region: str) -> Shop:
    """Raises InvalidDocument where name or region is empty or too long."""
    name, region = name.strip(), region.strip()
    errors = [
        FieldError(f"/{field}", f"Give 1 to {limit} characters.")
        for field, value, limit in (("name", name, 200), ("region", region, 100))
        if not 1 <= len(value) <= limit
    ]
    if errors:
        raise InvalidDocument(errors)
    return Shop.objects.create(name=name, region=region)


def add_person(*, shop: Shop, email: str, role: str, password: str | None = None) -> Person:
    """A sign-in; without a password it needs the one-time link.

    Raises InvalidDocument, Conflict.
    """
    email = email.strip().lower()
    errors = []
    try:
        validate_email(email)
    except ValidationError:
        errors.append(FieldError("/email", "Give an e-mail address such as kim@example.org."))
    if role not in PERSON_ROLES:
        errors.append(FieldError("/role", f"Give one of {', '.join(PERSON_ROLES)}."))
    if errors:
        raise InvalidDocument(errors)
    person = Person(shop=shop, email=email, role=role)
    if password is None:
        person.set_unusable_password()
    else:
        person.set_password(password)
    try:
        with transaction.atomic():
            person.save(force_insert=True)
    except IntegrityError as error:
        raise Conflict(f"{email} already has a sign-in.", code="email_taken") from error
    return person


def make_sign_in_link(person: Person) -> str:
    """Path of the one-time page where the person chooses a password."""
    uid = urlsafe_base64_encode(force_bytes(person.pk))
    return f"/sign-in/{uid}/{default_token_generator.make_token(person)}"


def find_person_for_link(*, uid: str, token: str) -> Person:
    """Raises NotFound for a link that is wrong, used or too old."""
    try:
        pk = UUID(urlsafe_base64_decode(uid).decode())
    except ValueError as error:
        raise NotFound() from error
    person = Person.objects.filter(pk=pk, is_active=True).first()
    if person is None or not default_token_generator.check_token(person, token):
        raise NotFound()
    return person


def set_password(*, person: Person, password: str) -> None:
    """Raises InvalidDocument with every fault of a password that is too weak."""
    try:
        validate_password(password, person)
    except ValidationError as error:
        raise InvalidDocument(
            [FieldError("/password", message) for message in error.messages]
        ) from error
    person.set_password(password)
    person.save(update_fields=["password"])


def add_key(*, shop: Shop, roles: Iterable[str], name: str = "") -> tuple[ApiKey, str]:
    """A new key and its secret, which can't be had again. Raises InvalidDocument."""
    wanted = sorted(set(roles))
    if not wanted or not set(wanted) <= set(KEY_ROLES):
        raise InvalidDocument(
            [FieldError("/roles", f"Give one or more of {', '.join(KEY_ROLES)}.")]
        )
    secret = new_key()
    key = ApiKey.objects.create(
        shop=shop,
        name=name.strip()[:100],
        roles=wanted,
        shown_as=shorten_key(secret),
        digest=digest_key(secret),
    )
    return key, secret


def revoke_key(*, shop: Shop, key_id: UUID) -> None:
    """Takes effect with the next request. Raises NotFound."""
    changed = ApiKey.objects.filter(shop=shop, pk=key_id, revoked_at=None).update(
        revoked_at=timezone.now()
    )
    if not changed:
        raise NotFound()


def find_key(secret: str) -> ApiKey | None:
    """The live key that this secret opens, or None."""
    if not is_well_formed(secret):
        return None
    key = (
        ApiKey.objects.select_related("shop")
        .filter(digest=digest_key(secret), revoked_at=None)
        .first()
    )
    if key is not None:
        _note_use(key)
    return key


def _note_use(key: ApiKey) -> None:
    now = timezone.now()
    # To the minute is enough, and spares a write on every request.
    if key.last_used_at is None or now - key.last_used_at > timedelta(minutes=1):
        ApiKey.objects.filter(pk=key.pk).update(last_used_at=now)
