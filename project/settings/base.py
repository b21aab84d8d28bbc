"""Settings that are safe as they stand. Production adds its own; nothing here is relaxed."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

from csp.constants import NONE, SELF

from project import env, patience
from project.logs import logging_of
from project.schedule import SCHEDULE
from surveys.vocabulary import Language

BASE_DIR = Path(__file__).resolve().parent.parent.parent

DEBUG = False
SECRET_KEY = env.text("SECRET_KEY", "")
ALLOWED_HOSTS = env.words("ALLOWED_HOSTS")

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.postgres",
    "csp",
    "rest_framework",
    "knox",
    "drf_spectacular",
    "surveys",
    "allauth.account",
    "django_otp",
    "django_otp.plugins.otp_totp",
    "django_otp.plugins.otp_static",
    "api",
    "project",
]

MIDDLEWARE = [
    "project.middleware.RequestNumber",
    "project.measuring.Told",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "csp.middleware.CSPMiddleware",
    "project.middleware.Permissions",
    "project.middleware.SameForAll",
    "project.middleware.ReadableLength",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.locale.LocaleMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "surveys.web.idle.IdleSecondFactor",
    "django_otp.middleware.OTPMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "allauth.account.middleware.AccountMiddleware",
]

ROOT_URLCONF = "project.urls"
WSGI_APPLICATION = "project.wsgi.application"
APPEND_SLASH = False

TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
            ],
        },
    },
]

# Of the web server: connections that the threads of a process share; 0 where each thread keeps its own.
_pool = env.number("DATABASE_POOL", 0) if patience.program() == patience.Program.WEB else 0
DATABASES = {"default": env.database(options=patience.options_of(patience.program()), pool=_pool)}
# A streaming replica, for research alone and only while it keeps up: surveys/queries/replica.py.
if env.text("READ_DATABASE_URL", ""):
    DATABASES["replica"] = env.replica(options=patience.options_of(patience.program()), pool=_pool)
DATABASE_ROUTERS = ["surveys.queries.replica.Router"]
# How many seconds old an answer of research may be. Own choice: below the five minutes for which /ogc is cached anyway.
READ_LAG_MOST_S = env.number("READ_LAG_MOST_S", 10)
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"

#: Frozen releases, and exports that wait to be fetched. Releases are for ever: they belong into every backup.
_KEPT = Path(env.text("TRAPNIGHT_HOME", str(BASE_DIR / ".trapnight"))).expanduser().resolve()
RELEASES_FOLDER = Path(env.text("RELEASES_FOLDER", str(_KEPT / "releases")))
EXPORTS_FOLDER = Path(env.text("EXPORTS_FOLDER", str(_KEPT / "exports")))

REDIS_URL = env.text("REDIS_URL", "")
CACHES: dict[str, Any] = {
    "default": (
        {"BACKEND": "project.cache.LastingRedisCache", "LOCATION": REDIS_URL, "KEY_PREFIX": "trapnight"}
        if REDIS_URL
        else {"BACKEND": "django.core.cache.backends.locmem.LocMemCache"}
    )
}

# People ----------------------------------------------------------------------------------------
AUTH_USER_MODEL = "surveys.Account"
LOGIN_URL = "sign-in"
LOGIN_REDIRECT_URL = "my-returns"
LOGOUT_REDIRECT_URL = "home"
PASSWORD_HASHERS = ["project.passwords.Argon2id"]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.MinimumLengthValidator", "OPTIONS": {"min_length": 12}},
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
]
PASSWORD_RESET_TIMEOUT = 3600  # ASVS 5.0.0, 6.4: a link for a new password is short-lived; it also works once only
# allauth checks mail addresses by a code and makes the links for a new password. Accounts are opened by our own
# service, tries are counted by surveys/web/tries.py, and none of its own pages is wired.
ACCOUNT_ADAPTER = "surveys.web.account_mail.AccountMail"
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*"]
ACCOUNT_EMAIL_VERIFICATION = "mandatory"
ACCOUNT_EMAIL_VERIFICATION_BY_CODE_ENABLED = True
ACCOUNT_EMAIL_VERIFICATION_BY_CODE_FORMAT = {"numeric": True, "length": 6, "dashed": True}
ACCOUNT_EMAIL_VERIFICATION_BY_CODE_MAX_ATTEMPTS = 3
ACCOUNT_EMAIL_VERIFICATION_BY_CODE_TIMEOUT = 3600
ACCOUNT_EMAIL_UNKNOWN_ACCOUNTS = False
ACCOUNT_EMAIL_SUBJECT_PREFIX = ""
ACCOUNT_RATE_LIMITS = False
# The second factor of coordinators and operators: a code of six digits that changes every half minute (RFC 6238).
OTP_TOTP_ISSUER = "Trapnight"
# A session in which a coordinator did nothing for so long asks for the code once more. Families are never asked.
SECOND_FACTOR_IDLE_S = 3600
SESSION_COOKIE_NAME = "__Host-trapnight"
SESSION_COOKIE_SECURE = True
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
SESSION_COOKIE_AGE = 14 * 24 * 3600
CSRF_COOKIE_NAME = "__Host-trapnight-csrf"
CSRF_FAILURE_VIEW = "project.answers.stale_form"
CSRF_COOKIE_SECURE = True
CSRF_COOKIE_HTTPONLY = True
CSRF_TRUSTED_ORIGINS = env.words("CSRF_TRUSTED_ORIGINS")

# Mail ------------------------------------------------------------------------------------------
DEFAULT_FROM_EMAIL = env.text("MAIL_FROM", "Trapnight <trapnight@localhost>")
EMAIL_TIMEOUT = 10
# What links in mail begin with.
PUBLIC_ADDRESS = env.text("PUBLIC_ADDRESS", "")

# Transport -------------------------------------------------------------------------------------
SECURE_SSL_REDIRECT = True
SECURE_REDIRECT_EXEMPT = [r"^health/"]
SECURE_HSTS_SECONDS = 365 * 24 * 3600
SECURE_HSTS_INCLUDE_SUBDOMAINS = True
SECURE_HSTS_PRELOAD = True
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CROSS_ORIGIN_OPENER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
CONTENT_SECURITY_POLICY: dict[str, Any] = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF],
        "object-src": [NONE],
        "base-uri": [NONE],
        "frame-ancestors": [NONE],
        "form-action": [SELF],
    }
}
DATA_UPLOAD_MAX_MEMORY_SIZE = 1024 * 1024
DATA_UPLOAD_MAX_NUMBER_FIELDS = 2000

# Language and time -----------------------------------------------------------------------------
LANGUAGE_CODE = "en"
LANGUAGES = Language.choices()
LOCALE_PATHS = [BASE_DIR / "surveys" / "locale"]
LANGUAGE_COOKIE_NAME = "trapnight-language"
LANGUAGE_COOKIE_SECURE = True
LANGUAGE_COOKIE_HTTPONLY = True
LANGUAGE_COOKIE_SAMESITE = "Lax"
USE_I18N = True
USE_TZ = True
TIME_ZONE = "UTC"

# Files -----------------------------------------------------------------------------------------
STATIC_URL = "static/"
STATIC_ROOT = Path(env.text("STATIC_ROOT", str(BASE_DIR / "static-collected")))
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
}

# API -------------------------------------------------------------------------------------------
REST_FRAMEWORK = {
    "DEFAULT_AUTHENTICATION_CLASSES": ["api.authentication.BearerToken"],
    "DEFAULT_PERMISSION_CLASSES": ["api.permissions.NoRuleGiven"],
    "DEFAULT_RENDERER_CLASSES": ["rest_framework.renderers.JSONRenderer"],
    "DEFAULT_PARSER_CLASSES": ["api.parsing.StrictJSON"],
    "DEFAULT_THROTTLE_CLASSES": ["api.throttling.PerAccountOrAddress"],
    "DEFAULT_SCHEMA_CLASS": "api.schema.Described",
    "EXCEPTION_HANDLER": "api.errors.answer_with_a_problem",
    "DEFAULT_VERSIONING_CLASS": None,
    "URL_FORMAT_OVERRIDE": None,  # the form of an answer is chosen by Accept; ?format= is a parameter nobody knows
    "UNAUTHENTICATED_USER": "django.contrib.auth.models.AnonymousUser",
    "NUM_PROXIES": env.number("NUM_PROXIES", 0),
    "COERCE_DECIMAL_TO_STRING": False,
}
REST_KNOX = {
    "SECURE_HASH_ALGORITHM": "hashlib.sha512",
    "AUTH_TOKEN_CHARACTER_LENGTH": 64,
    "TOKEN_TTL": timedelta(days=90),
    "TOKEN_LIMIT_PER_USER": 20,
    "AUTO_REFRESH": False,
    "AUTH_HEADER_PREFIX": "Bearer",
    "TOKEN_PREFIX": "tn_",
}
KNOX_TOKEN_MODEL = "surveys.Token"  # noqa: S105  # a table, not a secret
API_REQUESTS_PER_MINUTE = env.number("API_REQUESTS_PER_MINUTE", 600)
# Open collections and releases: a map program reads them in pages of ten features, and a school shares one address.
READER_REQUESTS_PER_MINUTE = env.number("READER_REQUESTS_PER_MINUTE", 3000)
SIGN_INS_PER_HOUR = env.number("SIGN_INS_PER_HOUR", 20)
SPECTACULAR_SETTINGS = {
    "TITLE": "Trapnight API",
    "DESCRIPTION": "Returns of garden pitfall traps in, reviewed data and activity indices out.",
    "VERSION": "1.0.0",
    "OAS_VERSION": "3.1.1",
    "SERVE_INCLUDE_SCHEMA": False,
    "COMPONENT_SPLIT_REQUEST": True,
    "ENUM_GENERATE_CHOICE_DESCRIPTION": False,
    "SORT_OPERATIONS": True,
}

# Background work -------------------------------------------------------------------------------
CELERY_BROKER_URL = REDIS_URL or "redis://127.0.0.1:6379/0"
CELERY_TASK_IGNORE_RESULT = True
CELERY_TASK_SERIALIZER = "json"
CELERY_ACCEPT_CONTENT = ["json"]
CELERY_TASK_ACKS_LATE = True
CELERY_TASK_REJECT_ON_WORKER_LOST = True
CELERY_WORKER_PREFETCH_MULTIPLIER = 1
CELERY_TASK_SOFT_TIME_LIMIT = 15 * 60
CELERY_TASK_TIME_LIMIT = 16 * 60
# Longer than the hard time limit, or a long task would run twice at once (measured on celery 5.7).
CELERY_BROKER_TRANSPORT_OPTIONS = {"visibility_timeout": 3600, "socket_connect_timeout": 2, "socket_timeout": 10}
CELERY_VISIBILITY_TIMEOUT = 3600
CELERY_RESULT_BACKEND_TRANSPORT_OPTIONS = {"visibility_timeout": 3600}
CELERY_BROKER_CONNECTION_RETRY_ON_STARTUP = True
CELERY_TIMEZONE = "UTC"
CELERY_BEAT_SCHEDULE = SCHEDULE
CODE_VERSION = env.text("CODE_VERSION", "")
# A worker that is not heard of for this long has lost its job to the next one.
JOB_LEASE_S = env.number("JOB_LEASE_S", 120)
# A night with so many answers (returns times groups) or more is written down in parts that other workers help with.
NIGHT_PARTS_FROM = env.number("NIGHT_PARTS_FROM", 1_000_000)
# Parts that one worker does at a time; 0 for as many as it has processors. Each needs memory of its own.
NIGHT_PARTS_AT_ONCE = env.number("NIGHT_PARTS_AT_ONCE", 0)
# Workers that are woken to help the one whose night it is.
NIGHT_HELPERS = env.number("NIGHT_HELPERS", 4)
# Nights are computed from this hour on (UTC), for the day before.
NIGHT_FROM_HOUR = env.number("NIGHT_FROM_HOUR", 2)

# What /metrics asks for; without one it answers this machine alone.
METRICS_TOKEN = env.text("METRICS_TOKEN", "")
LOGGING = logging_of(json=False)
