"""How the code becomes the OpenAPI description: problems, keys, versions and examples on every operation."""

from __future__ import annotations

from typing import Any

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.plumbing import is_list_serializer
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers

from api.errors import MEDIA_TYPE, PROBLEMS
from api.examples import EXAMPLES
from api.examples.problems import problem_example
from surveys.permissions import Rule


class FaultOut(serializers.Serializer[Any]):
    """One fault: its place as a JSON Pointer, a code, a sentence."""

    pointer = serializers.CharField(allow_blank=True)
    code = serializers.CharField()
    detail = serializers.CharField()


class ProblemOut(serializers.Serializer[Any]):
    """A problem as RFC 9457 describes it, with the list of faults beside it."""

    type = serializers.URLField()
    title = serializers.CharField()
    status = serializers.IntegerField()
    detail = serializers.CharField()
    instance = serializers.CharField()
    errors = FaultOut(many=True)  # type: ignore[assignment]  # the standard's member name


_KEY = OpenApiParameter(
    "Idempotency-Key", str, OpenApiParameter.HEADER, required=True,
    description='A new random text in double quotes for each new request; the same one to send it again.',
)  # fmt: skip
_MATCH = OpenApiParameter(
    "If-Match", str, OpenApiParameter.HEADER, required=True, description="The ETag of the version that was read."
)


class Listing:
    """How a list is answered: its items, and where the next page is."""

    def get_paginated_response_schema(self, schema: dict[str, Any]) -> dict[str, Any]:
        """Return the schema of a page. The name is the library's."""
        following = {
            "type": ["string", "null"],
            "format": "uri",
            "description": "Address of the next page; null at the end.",
        }
        return {"type": "object", "required": ["items", "next"], "properties": {"items": schema, "next": following}}


class Described(AutoSchema):
    """Adds to each operation the answers that every resource can give, and an example of each."""

    def get_override_parameters(self) -> list[Any]:
        parameters = super().get_override_parameters()
        if self._writes and getattr(self.view, "needs_key", False):
            parameters = [*parameters, _KEY]
        if self._writes and getattr(self.view, "needs_match", False):
            parameters = [*parameters, _MATCH]
        if self.method == "GET":
            known = getattr(self.view, "query_parameters", ())
            parameters = [*parameters, *(_PAGE[name] for name in known if name in _PAGE)]
        return parameters

    def get_paginated_name(self, serializer_name: str) -> str:
        return f"{serializer_name.removesuffix('Out')}Page"

    @property
    def _writes(self) -> bool:
        return self.method in ("POST", "PUT", "PATCH", "DELETE")

    def _is_list_view(self, serializer: Any = None) -> bool:
        return bool(is_list_serializer(serializer))

    def _get_paginator(self) -> Listing:
        return Listing()

    def _get_request_body(self, *args: Any, **kwargs: Any) -> dict[str, Any] | None:
        body: dict[str, Any] | None = super()._get_request_body(*args, **kwargs)  # type: ignore[no-untyped-call]
        if body is not None:
            self._show(body["content"], "request")
        return body

    def _get_response_bodies(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        bodies: dict[str, Any] = super()._get_response_bodies(*args, **kwargs)
        for status, body in bodies.items():
            self._show(body.get("content", {}), status)
        for status, codes in self._problems().items():
            refused = self._refused(status, codes)
            if status in bodies:  # such as a sending of which some returns were refused
                bodies[status]["content"] |= refused["content"]
            else:
                bodies[status] = refused
        return bodies

    def _show(self, content: dict[str, Any], part: str) -> None:
        """Put the example of one part of the operation beside its schema: a text is a table, all else JSON."""
        shown = EXAMPLES.get(self.get_operation_id(), {})
        if part in shown:
            media_type = "text/csv" if isinstance(shown[part], str) else "application/json"
            content[media_type]["examples"] = {"invented": {"value": shown[part]}}

    def _refused(self, status: str, codes: list[str]) -> dict[str, Any]:
        found: dict[str, Any] = self._get_response_for_code(  # type: ignore[no-untyped-call]
            ProblemOut, status, media_types=[MEDIA_TYPE]
        )
        found["description"] = ". ".join(PROBLEMS[code][1] for code in codes) + "."
        found["content"][MEDIA_TYPE]["examples"] = {
            code: {"summary": PROBLEMS[code][1], "value": problem_example(code)} for code in codes
        }
        return found

    def _problems(self) -> dict[str, list[str]]:
        """Return the problems that the operation can answer with, by status."""
        codes = [*_ALWAYS, *self._of_the_door(), *(self._of_writing() if self._writes else ())]
        codes += ["not-found"] if "{" in self.path else []
        codes += getattr(self.view, "also_refuses", {}).get(self.method, ())
        found: dict[str, list[str]] = {}
        for code in PROBLEMS:
            if code in codes:
                found.setdefault(str(PROBLEMS[code][0]), []).append(code)
        return found

    def _of_the_door(self) -> list[str]:
        rules = {getattr(one, "rule", None) for one in self.view.get_permissions()}
        codes = [] if rules <= {Rule.ANYONE} else ["not-allowed"]
        codes += [] if rules <= {Rule.ANYONE, Rule.SIGNED_IN} else ["second-factor-needed"]
        return codes + (["scope-needed"] if getattr(self.view, "scope", None) else [])

    def _of_writing(self) -> list[str]:
        codes = [] if self.method == "DELETE" else ["conflict"]
        if self.method != "DELETE" and self.get_request_serializer() is not None:
            codes += ["too-large", "unsupported-media-type", "faulty-content"]
        codes += ["still-running", "key-reused"] if getattr(self.view, "needs_key", False) else []
        return codes + (["stale", "precondition-required"] if getattr(self.view, "needs_match", False) else [])


#: What every address can answer: a parameter that nobody knows, a token that has run out, a form that there is not.
_ALWAYS = ("faulty-request", "not-signed-in", "not-acceptable", "quota-exceeded", "server-error", "unavailable")
_PAGE = {
    "limit": OpenApiParameter("limit", int, description="Rows on a page, at most 500."),
    "cursor": OpenApiParameter("cursor", str, description="Where the page before this one ended."),
}
