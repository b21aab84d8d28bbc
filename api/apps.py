"""The API application."""

from django.apps import AppConfig


class ApiConfig(AppConfig):
    name = "api"
    verbose_name = "Trapnight API"
