"""The composition root as an application: it brings the commands that start everything."""

from django.apps import AppConfig


class ProjectConfig(AppConfig):
    name = "project"
    verbose_name = "Trapnight"
