"""Development and the one-command start: plain HTTP on this machine, and nothing else relaxed."""

import secrets

from project import embedded
from project.settings.base import *  # noqa: F403

_key_file = embedded.home() / "secret-key"
if not _key_file.exists():
    _key_file.write_text(secrets.token_urlsafe(64))
    _key_file.chmod(0o600)

SECRET_KEY = _key_file.read_text()
ALLOWED_HOSTS = ["127.0.0.1", "localhost", "[::1]"]
SECURE_SSL_REDIRECT = False
PUBLIC_ADDRESS = "http://127.0.0.1:8000"
SECURE_HSTS_SECONDS = 0
SESSION_COOKIE_NAME = "trapnight"
SESSION_COOKIE_SECURE = False
CSRF_COOKIE_NAME = "trapnight-csrf"
CSRF_COOKIE_SECURE = False
LANGUAGE_COOKIE_SECURE = False
# Mail is printed where the web server and the worker print.
EMAIL_BACKEND = "django.core.mail.backends.console.EmailBackend"
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "django.contrib.staticfiles.storage.StaticFilesStorage"},
}
WHITENOISE_USE_FINDERS = True
