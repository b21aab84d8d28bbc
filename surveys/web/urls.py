"""Addresses of the pages."""

from __future__ import annotations

from django.urls import URLPattern, path

from surveys.web import codebook, health, home, methods, people, problems, returns, review, seasons, sites_pages

urlpatterns: list[URLPattern] = [
    path("", home.home, name="home"),
    path("seasons/<slug:code>/", seasons.season, name="season"),
    path("sign-in", people.sign_in, name="sign-in"),
    path("sign-out", people.sign_out, name="sign-out"),
    path("join", people.join, name="join"),
    *sites_pages.urlpatterns,
    *returns.urlpatterns,
    *review.urlpatterns,
    path("codebook/", codebook.codebook, name="codebook"),
    path("methods/", methods.methods, name="methods"),
    path("problems/<slug:code>/", problems.problem, name="problem"),
    path("health/live", health.live, name="health-live"),
    path("health/ready", health.ready, name="health-ready"),
]
