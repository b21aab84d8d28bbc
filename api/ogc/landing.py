"""The front door of the open collections, what they keep to, and their description."""

from __future__ import annotations

from rest_framework.request import Request
from rest_framework.response import Response

from api.ogc.base import JSON, OPENAPI, OpenResource, answer, link
from api.ogc.description import described

#: What is kept to, and nothing besides: Part 1, version 1.0.
CONFORMS_TO = (
    "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/core",
    "http://www.opengis.net/spec/ogcapi-features-1/1.0/conf/geojson",
)


class Landing(OpenResource):
    """The landing page (section 7.2)."""

    def get(self, request: Request) -> Response:
        body = {
            "title": "Trapnight: open collections",
            "description": "Activity indices of garden pitfall surveys by region, and effort by grid cell. No gardens.",
            "links": [
                link(request, "self", "/ogc", JSON, "This document"),
                link(request, "service-desc", "api", OPENAPI, "Description of these addresses (OpenAPI 3.0)"),
                link(request, "conformance", "conformance", JSON, "What these addresses keep to"),
                link(request, "data", "collections", JSON, "The collections"),
                link(request, "describedby", "/codebook/", "text/html", "What the columns mean"),
            ],
        }
        return answer(request, body, mark="landing")


class Conformance(OpenResource):
    """What is kept to (section 7.4)."""

    def get(self, request: Request) -> Response:
        return answer(request, {"conformsTo": list(CONFORMS_TO)}, mark="conformance")


class Description(OpenResource):
    """The description of these addresses (section 7.3)."""

    def get(self, request: Request) -> Response:
        return answer(request, described(request.build_absolute_uri("/ogc")), mark="description", form=OPENAPI)
