"""Every kind of problem that the API answers with: its stable name, its status, and what a
programmer should do about it. The pages under /api/docs/problems/ are made from this."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Kind:
    """What all problems of one type have in common."""

    status: int
    title: str
    remedy: str


CATALOGUE: dict[str, Kind] = {
    "malformed": Kind(
        400,
        "The request can't be read",
        "The body is not JSON in UTF-8, or a header or address is not in its proper form. The "
        "detail says where. Correct the program; the same request will fail again.",
    ),
    "bad_parameters": Kind(
        400,
        "Query parameters to correct",
        "Each entry of errors names a parameter of the address that is unknown or has a value that "
        "can't be used. Parameters are never ignored.",
    ),
    "bad_cursor": Kind(
        400,
        "This cursor can't be used",
        "Take cursors from next and previous of an earlier page, unchanged; or start again without "
        "one.",
    ),
    "not_authenticated": Kind(
        401,
        "Say who you are",
        "Send Authorization: Bearer and a key of your shop, or sign in. A manager of the shop "
        "makes and revokes keys.",
    ),
    "not_allowed": Kind(
        403,
        "This is not yours to do",
        "The key or person is known but lacks the role that the detail names, or a signed-in "
        "change came without its CSRF token.",
    ),
    "not_found": Kind(
        404,
        "Nothing here",
        "There is nothing under this address, or it isn't your shop's: the two are never told "
        "apart.",
    ),
    "method_not_allowed": Kind(
        405, "This address has other methods", "The Allow header of the answer lists them."
    ),
    "conflict": Kind(
        409,
        "This contradicts what is stored",
        "The detail says what stands in the way. Where it is a case of your own, case_id and the "
        "Link header lead to it.",
    ),
    "reference_taken": Kind(
        409,
        "The reference is taken",
        "Your shop already has a case with this shop_reference and complaint_no. case_id and the "
        "Link header lead to it: change that one, or give another complaint_no.",
    ),
    "still_running": Kind(
        409,
        "The first request with this key is still running",
        "A request with the same Idempotency-Key is being carried out just now. Wait as "
        "Retry-After says, then send it again to get its answer.",
    ),
    "export_not_ready": Kind(
        409,
        "Not finished yet",
        "The job that makes this is still waiting or running. Ask for the job until it is "
        "finished.",
    ),
    "export_failed": Kind(
        409,
        "This export failed",
        "There will be no file. The job says why; correct what it names, or ask for it again.",
    ),
    "length_required": Kind(
        411, "Say how long the body is", "Send Content-Length; chunked bodies are not read."
    ),
    "stale_version": Kind(
        412,
        "Somebody else changed it first",
        "The If-Match of the request names an older version. Read the resource again, redo the "
        "change on what you find, and send it with the new ETag.",
    ),
    "too_large": Kind(413, "The body is too long", "Send less at once; the detail says the limit."),
    "unsupported_media_type": Kind(
        415, "Send JSON", "The body must be sent as Content-Type: application/json, in UTF-8."
    ),
    "invalid": Kind(
        422,
        "Things to correct",
        "The document was read but can't be accepted. errors lists every fault at once: pointer "
        "says where (a JSON pointer, RFC 6901), detail what to do. Nothing was stored.",
    ),
    "key_reused": Kind(
        422,
        "This Idempotency-Key belongs to another request",
        "The key was used before with another body or address. Make a new key for each new thing; "
        "repeat a key only with the identical request.",
    ),
    "precondition_required": Kind(
        428,
        "Say which version you are changing",
        "Send the ETag that you last saw as If-Match, so that no one's change is lost unseen.",
    ),
    "throttled": Kind(429, "Too many requests", "Wait as Retry-After says, then go on."),
    "server_error": Kind(
        500,
        "A fault of the server",
        "This is our fault and has been noted with the request_id. Sending the request again with "
        "the same Idempotency-Key is safe.",
    ),
    "unavailable": Kind(
        503,
        "Away just now",
        "A part that is needed does not answer. Nothing was changed. Try again as Retry-After "
        "says.",
    ),
}
