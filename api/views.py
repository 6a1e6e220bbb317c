"""What every view of the API has in common; views parse, call one service, and render."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from typing import Any, ClassVar, NoReturn

from django.core.serializers.json import DjangoJSONEncoder
from django.http import HttpResponse
from django.utils.http import parse_etags
from rest_framework.negotiation import DefaultContentNegotiation
from rest_framework.renderers import BaseRenderer
from rest_framework.request import Request
from rest_framework.views import APIView

from api.auth import Open, caller_of
from api.parameters import NoParameters, Parameters, read_parameters
from api.problems import PreconditionRequired, Problem
from api.schema import ApiSchema
from casebook.errors import NotFound
from casebook.shops.models import Shop


class JsonOnly(DefaultContentNegotiation):
    """There is one representation; whatever Accept says, a problem must be readable."""

    def select_renderer(
        self,
        request: Request,
        renderers: Iterable[BaseRenderer],
        format_suffix: str | None = None,
    ) -> tuple[BaseRenderer, str]:
        only = next(iter(renderers))
        return only, only.media_type


class ApiView(APIView):
    content_negotiation_class = JsonOnly
    http_method_names = ("get", "head", "post", "patch", "delete")
    schema = ApiSchema()
    # Which methods take query parameters, and which ones; all others refuse any.
    parameters: ClassVar[Mapping[str, type[Parameters]]] = {}
    # Whether GET answers with an ETag, and with 304 to whoever has it already.
    tagged: ClassVar[bool] = False

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> None:
        super().initial(request, *args, **kwargs)
        if "HTTP_TRANSFER_ENCODING" in request.META and not request.META.get("CONTENT_LENGTH"):
            # Without a length the body would look empty: better no than half an answer.
            raise Problem("Send Content-Length with the body.", code="length_required")
        if (request.method or "").lower() not in self.parameters:
            read_parameters(request, NoParameters)

    def finalize_response(self, request: Request, response: Any, *args: Any, **kwargs: Any) -> Any:
        answer: Any = super().finalize_response(request, response, *args, **kwargs)
        if answer.status_code >= 400:
            _read_on(request)
        if request.method == "HEAD":
            # The length of what GET would send, and nothing of it; a file knows its own.
            if answer.streaming:
                answer.streaming_content = ()
            else:
                answer["Content-Length"] = str(len(answer.content))
                answer.content = b""
        return answer


# How much of a refused body is read all the same.
_MOST_READ_ON_BYTES = 32 * 1024 * 1024


def _read_on(request: Request) -> None:
    """Takes what a refusal left unread of the body.

    The web server promises to keep the connection, and drops it where more than a little is left:
    a client that trusts the promise would lose its next request, and couldn't tell whether that
    was carried out.
    """
    chunked = "HTTP_TRANSFER_ENCODING" in request.META
    # Django holds a body without a length for an empty one.
    stream = request.META["wsgi.input"] if chunked else request._request
    left = _MOST_READ_ON_BYTES
    try:
        while left > 0 and (chunk := stream.read(min(left, 64 * 1024))):
            left -= len(chunk)
    except OSError:
        return  # the client has gone; there is nobody left to answer


class UnknownAddress(ApiView):
    """Every address under /api that is nobody else's."""

    authentication_classes = ()
    permission_classes = (Open,)

    def initial(self, request: Request, *args: Any, **kwargs: Any) -> NoReturn:
        raise NotFound()


def shop_of(request: Request) -> Shop:
    return caller_of(request).shop


def respond(
    data: object, *, status: int = 200, headers: Mapping[str, str] | None = None
) -> HttpResponse:
    # The encoder writes times, days, decimals and ids as the contract wants them.
    body = json.dumps(
        data, cls=DjangoJSONEncoder, ensure_ascii=False, separators=(",", ":"), allow_nan=False
    )
    response = HttpResponse(body, status=status, content_type="application/json")
    response["Cache-Control"] = "private, no-store"
    for name, value in (headers or {}).items():
        response[name] = value
    return response


def respond_tagged(request: Request, data: object, *, tag: str | None = None) -> HttpResponse:
    """One resource with its ETag (of the content, unless the caller knows a better one); 304 where
    the client has it already."""
    response = respond(data)
    etag = quote_tag(tag or hashlib.sha256(response.content).hexdigest()[:32])
    # RFC 9110, section 13.1.2: compared weakly.
    known = [known.removeprefix("W/") for known in _read_tags(request, "If-None-Match")]
    if etag in known or "*" in known:
        response = HttpResponse(status=304)
        del response["Content-Type"]
    response["ETag"] = etag
    response["Cache-Control"] = "private, no-cache"
    return response


def quote_tag(tag: str | int) -> str:
    return f'"{tag}"'


def _read_tags(request: Request, header: str) -> list[str]:
    return parse_etags(request.headers.get(header, ""))


def versions_matched(request: Request, *, required: bool = False) -> frozenset[int] | None:
    """The versions that If-Match names; None where any will do (no header, or `*`).

    A tag that is none of ours matches nothing, as RFC 9110 wants it, and is left out.
    Raises PreconditionRequired.
    """
    if "If-Match" not in request.headers:
        if required:
            raise PreconditionRequired("Send the ETag that you last saw as If-Match.")
        return None
    tags = _read_tags(request, "If-Match")
    if "*" in tags:
        return None
    numbers = [tag.strip('"') for tag in tags if not tag.startswith("W/")]
    return frozenset(int(number) for number in numbers if number.isdecimal() and len(number) < 10)
