"""Addresses of the pages."""

from surveys.web import health

urlpatterns = [*health.urlpatterns]
