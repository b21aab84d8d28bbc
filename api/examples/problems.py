"""An example of each problem (RFC 9457), as the service words it. The requests behind them are invented."""

from __future__ import annotations

from typing import Any

from api.errors import PROBLEMS

_DETAILS: dict[str, str] = {
    "faulty-request": "Some of the request could not be read. Mend what is listed and send it again.",
    "not-signed-in": "This address needs a token. Send it as: Authorization: Bearer <token>.",
    "code-needed": "This account has a second factor. Send its code as well.",
    "wrong-code": "This code is not right. It may be old, or used before. Send the one that shows now.",
    "not-allowed": "Your account may not do this.",
    "second-factor-needed": "This needs the second factor of your account, and the account has none yet.",
    "scope-needed": "This token is for other uses. Make one with the scope 'read_data'.",
    "not-found": "There is nothing at this address, or nothing that your account may know of.",
    "method-not-allowed": "This address does not answer to that method. The Allow header lists those it does.",
    "not-acceptable": "The Accept header allows no form of answer that there is. Ask for application/json.",
    "conflict": "This return is set aside already. Load it again and see where it stands.",
    "still-running": "This request is being worked on at this moment. Send it again in a few seconds.",
    "stale": "Somebody else has worked on this since you read it. Load it again and look once more.",
    "too-large": "The body is larger than 1 MiB. Send it in smaller parts.",
    "no-such-bytes": "The file has fewer bytes than the request asks for. Content-Range says how many.",
    "unsupported-media-type": "The body must be JSON. Send it with Content-Type: application/json.",
    "faulty-content": "Some of what was sent cannot be taken. Mend what is listed and send it again.",
    "key-reused": "This Idempotency-Key was used before for a different request. Use a new key for each new request.",
    "precondition-required": "Say which version you have read: send its ETag as If-Match.",
    "quota-exceeded": "There were too many requests. Wait 42 seconds and go on.",
    "server-error": "Something went wrong here, and it was not your doing. It has been written down.",
    "unavailable": "The service cannot reach its database at this moment. Send it again in a few seconds.",
}
_FAULTS: dict[str, list[dict[str, str]]] = {
    "faulty-request": [
        {
            "pointer": "/colour",
            "code": "unknown_parameter",
            "detail": "This address does not know the parameter 'colour'. It knows: none.",
        }
    ],
    "faulty-content": [
        {"pointer": "/habitat", "code": "unknown_habitat", "detail": "The season has no habitat with this code."}
    ],
}


def problem_example(code: str) -> dict[str, Any]:
    """Return an example of a problem."""
    status, title = PROBLEMS[code]
    return {
        "type": f"https://trapnight.example/problems/{code}/",
        "title": title,
        "status": status,
        "detail": _DETAILS[code],
        "instance": "urn:trapnight:request:c226c986982049d0a3e106c3c14cfcf1",
        "errors": _FAULTS.get(code, []),
    }
