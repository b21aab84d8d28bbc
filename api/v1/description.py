"""The OpenAPI description of this API, served by itself."""

from drf_spectacular.views import SpectacularJSONAPIView

from api.base import Resource
from api.permissions import rule
from surveys.permissions import Rule


class Description(Resource, SpectacularJSONAPIView):
    """The OpenAPI 3.1 description of version 1."""

    permission_classes = [rule(Rule.ANYONE)]
    scope = None
