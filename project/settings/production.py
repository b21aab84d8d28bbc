"""Production: everything that differs between two installations comes from the environment."""

import logging

from project import env
from project.logs import logging_of
from project.settings.base import *  # noqa: F403

SECRET_KEY = env.secret("SECRET_KEY")
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS") or [env.text("ALLOWED_HOSTS")]
REDIS_URL = env.text("REDIS_URL")
LOGGING = logging_of(json=True)
logging.captureWarnings(True)
# The reverse proxy in front says whether the visitor came by HTTPS.
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")

_mail = env.mail("EMAIL_URL")
EMAIL_HOST, EMAIL_PORT = _mail.host, _mail.port
EMAIL_HOST_USER, EMAIL_HOST_PASSWORD = _mail.user, _mail.password
EMAIL_USE_TLS, EMAIL_USE_SSL = _mail.starttls, _mail.tls
DEFAULT_FROM_EMAIL = env.text("MAIL_FROM", f"Trapnight <trapnight@{ALLOWED_HOSTS[0].lstrip('.*')}>")
