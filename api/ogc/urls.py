"""Addresses of the open collections."""

from django.urls import path

from api.ogc import collections, items, landing

urlpatterns = [
    path("ogc", landing.Landing.as_view(), name="ogc"),
    path("ogc/", landing.Landing.as_view(), name="ogc-slash"),
    path("ogc/conformance", landing.Conformance.as_view(), name="ogc-conformance"),
    path("ogc/api", landing.Description.as_view(), name="ogc-api"),
    path("ogc/collections", collections.Collections.as_view(), name="ogc-collections"),
    path("ogc/collections/<slug:collection>", collections.OneCollection.as_view(), name="ogc-collection"),
    path("ogc/collections/<slug:collection>/items", items.Items.as_view(), name="ogc-items"),
    path("ogc/collections/<slug:collection>/items/<str:fid>", items.OneItem.as_view(), name="ogc-item"),
]
