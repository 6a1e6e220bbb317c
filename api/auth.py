"""Who calls: a program with a key, or a person who is signed in. Both become one Caller.

A view says with its permission class which role it asks for; one that says nothing lets nobody in.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

from django.http import HttpRequest
from rest_framework.authentication import BaseAuthentication, SessionAuthentication
from rest_framework.exceptions import AuthenticationFailed
from rest_framework.permissions import BasePermission
from rest_framework.request import Request

from casebook.shops.models import ApiKey, Person, Shop
from casebook.shops.roles import ANALYST, CONTRIBUTE, SEARCH
from casebook.shops.services import find_key

if TYPE_CHECKING:
    # The framework's settings name this module, and its views read those settings at import.
    from rest_framework.views import APIView

REALM = "casebook"


@dataclass(frozen=True)
class Caller:
    """`request.auth`: for which shop the call is made, and what it may do."""

    shop: Shop
    roles: frozenset[str]
    key: ApiKey | None = None
    person: Person | None = None


def caller_of(request: Request) -> Caller:
    """Behind a permission that lets only callers in."""
    return cast("Caller", request.auth)


class KeyAuthentication(BaseAuthentication):
    """`Authorization: Bearer cbk_…`"""

    def authenticate(self, request: Request) -> tuple[None, Caller] | None:
        header = request.META.get("HTTP_AUTHORIZATION", "")
        if not header:
            return None
        scheme, _, secret = header.partition(" ")
        if scheme.lower() != "bearer":
            raise AuthenticationFailed("Send the key as `Authorization: Bearer cbk_...`.")
        key = find_key(secret.strip())
        if key is None:
            raise AuthenticationFailed("This key is unknown or revoked.")
        return None, Caller(shop=key.shop, roles=key.granted, key=key)

    def authenticate_header(self, request: Request) -> str:
        # RFC 6750, section 3: the reason only where a credential was sent.
        reason = ', error="invalid_token"' if "HTTP_AUTHORIZATION" in request.META else ""
        return f'Bearer realm="{REALM}"{reason}'


class SignedInAuthentication(SessionAuthentication):
    """The session of somebody signed in to the pages. Changes need the CSRF token, as in a form."""

    def authenticate(self, request: Request) -> tuple[Person, Caller] | None:
        plain: HttpRequest = request._request
        person = getattr(plain, "user", None)
        if not isinstance(person, Person) or not person.is_active:
            return None
        self.enforce_csrf(request)
        return person, Caller(shop=person.shop, roles=person.granted, person=person)


class DenyAll(BasePermission):
    """The default: a view that forgot to say whom it is for is for nobody."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return False


class Open(BasePermission):
    """For everybody, known or not: the description of the API itself."""

    def has_permission(self, request: Request, view: APIView) -> bool:
        return True


class AnyCaller(BasePermission):
    def has_permission(self, request: Request, view: APIView) -> bool:
        return isinstance(request.auth, Caller)


class _Role(BasePermission):
    role = ""

    def has_permission(self, request: Request, view: APIView) -> bool:
        # Set before the refusal, so that whoever has the key but not the role learns which.
        self.message = f"This needs the role {self.role}."
        return isinstance(request.auth, Caller) and self.role in request.auth.roles


class MayContribute(_Role):
    role = CONTRIBUTE


class MaySearch(_Role):
    role = SEARCH


class MayAnalyse(_Role):
    role = ANALYST
