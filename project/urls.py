"""Every address of the service. A test walks this table: each view names who may come."""

from django.urls import include, path

from project.measuring import metrics

urlpatterns = [
    path("api/v1/", include("api.v1.urls")),
    path("metrics", metrics, name="metrics"),
    path("", include("api.ogc.urls")),
    path("", include("surveys.web.urls")),
]

handler404 = "project.answers.not_found"
handler500 = "project.answers.server_error"
handler403 = "project.answers.forbidden"
handler400 = "project.answers.bad_request"
