"""Tests: the embedded services, a fast password hash, plain HTTP."""

from project import env
from project.settings.base import *  # noqa: F403

SECRET_KEY = "only-for-tests-and-therefore-public-0123456789-abcdefghijklmnop"  # noqa: S105
ALLOWED_HOSTS = ["testserver", "127.0.0.1", "localhost"]
SECURE_SSL_REDIRECT = False
SESSION_COOKIE_NAME = "trapnight"
SESSION_COOKIE_SECURE = False
CSRF_COOKIE_NAME = "trapnight-csrf"
CSRF_COOKIE_SECURE = False
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
LANGUAGE_COOKIE_SECURE = False
# The test runner keeps mail in memory instead; a server that a journey starts prints it into its log.
EMAIL_BACKEND = "django.core.mail.backends.console.EmailBackend"
WHITENOISE_USE_FINDERS = True
# It stands in releases; a test of another one sets its own.
PUBLIC_ADDRESS = env.text("PUBLIC_ADDRESS", "https://testserver")
API_REQUESTS_PER_MINUTE = READER_REQUESTS_PER_MINUTE = 1_000_000
# Between tests the tables are emptied, which the append-only triggers otherwise refuse.
DATABASES["default"]["OPTIONS"]["options"] += " -c trapnight.wiping=test"  # noqa: F405
