"""Production: everything that differs between two installations comes from the environment."""

from project import env
from project.settings.base import *  # noqa: F403

SECRET_KEY = env.secret("SECRET_KEY")
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS") or [env.text("ALLOWED_HOSTS")]
REDIS_URL = env.text("REDIS_URL")
# The reverse proxy in front says whether the visitor came by HTTPS.
SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
