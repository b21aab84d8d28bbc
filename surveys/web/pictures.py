"""Sending a tray photo: to be looked at, kept by nobody on the way, and able to do nothing."""

from __future__ import annotations

from django.http import HttpResponse


def picture_answer(jpeg: bytes) -> HttpResponse:
    """Return a picture for the page that shows it: for this origin only, in a sandbox, out of every cache."""
    answer = HttpResponse(jpeg, content_type="image/jpeg")
    answer.headers["Content-Disposition"] = 'inline; filename="tray.jpg"'
    answer.headers["X-Content-Type-Options"] = "nosniff"
    answer.headers["Cache-Control"] = "no-store"
    answer.headers["Content-Security-Policy"] = "default-src 'none'; sandbox"
    answer.headers["Cross-Origin-Resource-Policy"] = "same-origin"
    return answer
