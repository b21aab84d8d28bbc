"""How the code becomes the OpenAPI description: problems, keys and versions on every operation."""

from __future__ import annotations

from typing import Any

from drf_spectacular.openapi import AutoSchema
from drf_spectacular.utils import OpenApiParameter
from rest_framework import serializers

from api.errors import MEDIA_TYPE


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


class Described(AutoSchema):
    """Adds to each operation the answers that every resource can give."""

    def get_override_parameters(self) -> list[Any]:
        parameters = super().get_override_parameters()
        writing = self.method in ("POST", "PUT", "PATCH", "DELETE")
        if writing and getattr(self.view, "needs_key", False):
            parameters = [*parameters, _KEY]
        if writing and getattr(self.view, "needs_match", False):
            parameters = [*parameters, _MATCH]
        if self.method == "GET":
            known = getattr(self.view, "query_parameters", ())
            parameters = [*parameters, *(_PAGE[name] for name in known if name in _PAGE)]
        return parameters

    def _is_list_view(self, serializer: Any = None) -> bool:
        return False

    def _get_response_bodies(self, *args: Any, **kwargs: Any) -> dict[str, Any]:
        bodies: dict[str, Any] = super()._get_response_bodies(*args, **kwargs)
        for status in self._refusals():
            if status not in bodies:
                bodies[status] = self._get_response_for_code(  # type: ignore[no-untyped-call]
                    ProblemOut, status, media_types=[MEDIA_TYPE]
                )
        return bodies

    def _refusals(self) -> list[str]:
        found = ["400", "406", "429", "500", "503"]
        rules = [getattr(one, "rule", None) for one in getattr(self.view, "permission_classes", ())]
        if any(one is not None and one != "anyone" for one in rules):
            found += ["401", "403"]
        if "{" in self.path:
            found.append("404")
        if self.method in ("POST", "PUT", "PATCH"):
            found += ["409", "413", "415", "422"]
        if getattr(self.view, "needs_match", False):
            found += ["412", "428"]
        if self.path.endswith("/tokens"):
            found.append("401")
        return sorted(set(found))


_PAGE = {
    "limit": OpenApiParameter("limit", int, description="Rows on a page, at most 500."),
    "cursor": OpenApiParameter("cursor", str, description="Where the page before this one ended."),
}
