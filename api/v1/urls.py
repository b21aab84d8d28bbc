"""Addresses of version 1 of the API."""

from django.urls import path

from api.v1 import batch, changes, description, groups_seen, indices, releases, returns, review, seasons, sites, tokens

urlpatterns = [
    path("openapi.json", description.Description.as_view(), name="api-openapi"),
    path("tokens", tokens.Tokens.as_view(), name="api-tokens"),
    path("tokens/current", tokens.CurrentToken.as_view(), name="api-current-token"),
    path("seasons", seasons.Seasons.as_view(), name="api-seasons"),
    path("seasons/<slug:season>", seasons.OneSeason.as_view(), name="api-season"),
    path("seasons/<slug:season>/indices", indices.Indices.as_view(), name="api-indices"),
    path("seasons/<slug:season>/changes", changes.Changes.as_view(), name="api-changes"),
    path("seasons/<slug:season>/groups-seen", groups_seen.GroupsSeen.as_view(), name="api-groups-seen"),
    path("seasons/<slug:season>/returns.csv", releases.CleanReturns.as_view(), name="api-clean-returns"),
    path("sites", sites.Sites.as_view(), name="api-sites"),
    path("sites/<uuid:site>/traps", sites.Traps.as_view(), name="api-traps"),
    path("returns", returns.Returns.as_view(), name="api-returns"),
    path("returns/batch", batch.Batch.as_view(), name="api-returns-batch"),
    path("returns/<uuid:uuid>", returns.OneReturn.as_view(), name="api-return"),
    path("returns/<uuid:uuid>/withdrawal", returns.Withdrawal.as_view(), name="api-withdrawal"),
    path("queue", review.Queue.as_view(), name="api-queue"),
    path("queue/<uuid:uuid>", review.Record.as_view(), name="api-record"),
    path("queue/<uuid:uuid>/verdicts", review.Verdicts.as_view(), name="api-verdicts"),
]
