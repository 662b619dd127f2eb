"""All settings, read from the environment with types. A secret may come from a file: NAME_FILE for NAME.

Two modes. "local" (what manage.py uses unless told otherwise) keeps a SQLite file and generated keys under
.local/ and is for one machine. "production" (what wsgi.py uses) generates nothing and refuses to start
without its essentials.
"""

from pathlib import Path

import plotly
from csp.constants import SELF
from environs import FileAwareEnv, ValidationError, validate

from registry.site import api_settings, backup_settings, local_keys, mail
from registry.site.database_settings import reached
from registry.site.isolation_settings import *  # noqa: F403 - all of it, by its __all__
from registry.site.session_settings import *  # noqa: F403 - all of it, by its __all__
from registry.site.sign_in_settings import *  # noqa: F403 - all of it, by its __all__
from registry.site.transport_settings import *  # noqa: F403 - all of it, by its __all__

env = FileAwareEnv()
BASE_DIR = Path(__file__).resolve().parents[2]

MODE = env.str("RIMWARD_MODE", "local", validate=validate.OneOf(["local", "production"]))
PRODUCTION = MODE == "production"
DEBUG = False

# Working folder for the embedded database, generated keys and what commands write.
LOCAL_DIR = env.path("RIMWARD_LOCAL_DIR", BASE_DIR / ".local")


def _each_long(keys: list[str]) -> None:
    """Every key has 32 characters or more."""
    if any(len(key) < 32 for key in keys):
        raise ValidationError("Shorter than minimum length 32.")


if PRODUCTION:
    SECRET_KEY = env.str("SECRET_KEY", validate=validate.Length(min=50))
    IDENTITY_KEYS = env.list("IDENTITY_KEYS", validate=validate.Length(min=1))
    IDENTITY_INDEX_KEY = env.str("IDENTITY_INDEX_KEY", validate=validate.Length(min=32))
    RELEASE_KEYS = env.list("RELEASE_KEYS", validate=[validate.Length(min=1), _each_long])
    RELEASES_DIR = env.path("RELEASES_DIR")
    ALLOWED_HOSTS = env.list("ALLOWED_HOSTS", validate=validate.Length(min=1))
    CSRF_TRUSTED_ORIGINS: list[str] = env.list("CSRF_TRUSTED_ORIGINS", [])
    _database = env.dj_db_url("DATABASE_URL")
else:
    _keys = local_keys.load_or_make(LOCAL_DIR)
    SECRET_KEY = env.str("SECRET_KEY", _keys["SECRET_KEY"])
    IDENTITY_KEYS = env.list("IDENTITY_KEYS", [_keys["IDENTITY_KEY"]])
    IDENTITY_INDEX_KEY = env.str("IDENTITY_INDEX_KEY", _keys["IDENTITY_INDEX_KEY"])
    RELEASE_KEYS = env.list("RELEASE_KEYS", [_keys["RELEASE_KEY"]])
    RELEASES_DIR = env.path("RELEASES_DIR", LOCAL_DIR / "releases")
    ALLOWED_HOSTS = ["localhost", "127.0.0.1", "[::1]"]
    _database = env.dj_db_url("DATABASE_URL", f"sqlite:///{LOCAL_DIR / 'rimward.sqlite3'}")
DATABASES = {"default": reached(_database)}

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "whitenoise.runserver_nostatic",
    "django.contrib.staticfiles",
    "csp",
    "django_otp",
    "axes",
    "django_filters",
    "django_htmx",
    "rest_framework",
    "drf_spectacular",
    "registry",
    "outcomes",
    "registry.site",
]

MIDDLEWARE = [
    # Outermost, so that refusals of the others have an id, a line in the log and every header as well.
    "registry.site.request_log.request_log",
    "registry.site.headers.headers",
    "registry.site.methods.known_methods",
    "csp.middleware.CSPMiddleware",
    "django_permissions_policy.PermissionsPolicyMiddleware",
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "registry.site.compression.Compression",
    "registry.site.busy.Busy",
    "registry.site.body_limit.BodyLimit",
    "registry.site.sessions.SteadySessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "registry.isolation.middleware.ScopeMiddleware",
    # Nothing is visible without sign-in unless a view says so itself.
    "django.contrib.auth.middleware.LoginRequiredMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "django_otp.middleware.OTPMiddleware",
    "registry.signing_in.required.SecondFactorMiddleware",
    "registry.rights.watching.note_openings",
    "axes.middleware.AxesMiddleware",
]

ROOT_URLCONF = "registry.site.urls"
WSGI_APPLICATION = "registry.site.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": False,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "registry.site.navigation.navigation",
            ],
            "libraries": {"django_htmx": "django_htmx.templatetags.django_htmx"},
        },
    }
]

AUTH_USER_MODEL = "registry.User"
LOGIN_URL = "sign_in"
LOGIN_REDIRECT_URL = "today"
LOGOUT_REDIRECT_URL = "sign_in"

# What patients are sent: links begin with the site's own address, and hold for so long.
SITE_URL = env.str("SITE_URL", "http://127.0.0.1:8000" if not PRODUCTION else "").rstrip("/")
LINK_VALID_DAYS = env.int("LINK_VALID_DAYS", 60, validate=validate.Range(min=1, max=366))
# Letters are shown on the console unless a mail server is named.
_mail = mail.settings_from(env.dj_email_url("EMAIL_URL", "console:"))
EMAIL_BACKEND, EMAIL_TIMEOUT = _mail["EMAIL_BACKEND"], _mail["EMAIL_TIMEOUT"]
EMAIL_HOST, EMAIL_PORT = _mail["EMAIL_HOST"], _mail["EMAIL_PORT"]
EMAIL_HOST_USER, EMAIL_HOST_PASSWORD = _mail["EMAIL_HOST_USER"], _mail["EMAIL_HOST_PASSWORD"]
EMAIL_USE_TLS, EMAIL_USE_SSL = _mail["EMAIL_USE_TLS"], _mail["EMAIL_USE_SSL"]
DEFAULT_FROM_EMAIL = env.str("DEFAULT_FROM_EMAIL", "rimward@localhost" if not PRODUCTION else "")
# A folder whose texts go before those in templates/reminders.
REMINDER_TEMPLATES_DIR = env.path("REMINDER_TEMPLATES_DIR", None)
# Class of the service for text messages; without one, who wishes them gets nothing and is counted.
REMINDER_SMS = env.str("REMINDER_SMS", "registry.reminders.sms.Console" if not PRODUCTION else "")

# Figures are kept in the process that worked them out, by data version: see outcomes/cache.py.
RESULTS_CACHE_MB = env.int("RESULTS_CACHE_MB", 64, validate=validate.Range(min=0, max=16_384))
CACHES = {
    # Here requests of the API are counted, in each process for itself: with several a limit is as many
    # times what it says. Room for so many keys and addresses, lest many of them push out one's own count.
    "default": {
        "BACKEND": "django.core.cache.backends.locmem.LocMemCache",
        "LOCATION": "default",
        "OPTIONS": {"MAX_ENTRIES": 100_000},
    },
    "results": {
        "BACKEND": "registry.site.bounded_cache.BoundedCache",
        "LOCATION": "results",
        "OPTIONS": {"BYTES": RESULTS_CACHE_MB * 2**20},
    },
}

LANGUAGE_CODE = "en-gb"
LANGUAGES = [("en", "English"), ("es", "Español")]
LOCALE_PATHS = [BASE_DIR / "registry" / "locale"]
TIME_ZONE = "UTC"
USE_I18N = True
USE_TZ = True
DATE_INPUT_FORMATS = ["%Y-%m-%d", "%d-%m-%Y", "%d.%m.%Y", "%d/%m/%Y"]
FORM_RENDERER = "django.forms.renderers.DjangoTemplates"

# Browser code comes out of installed packages: plotly's script travels inside its Python package.
STATIC_URL = "static/"
# Collected for production alone; elsewhere they are served from where they lie.
STATIC_ROOT = env.path("RIMWARD_STATIC_ROOT", LOCAL_DIR / "static") if PRODUCTION else None
STATICFILES_DIRS = [("plotly", Path(plotly.__file__).parent / "package_data")]
WHITENOISE_USE_FINDERS = not PRODUCTION
STORAGES = {
    "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
    "staticfiles": {
        "BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"
        if PRODUCTION
        else "django.contrib.staticfiles.storage.StaticFilesStorage"
    },
}

# plotly fills one empty style element and writes one fixed style text; both are allowed by hash, no more.
# The second hash belongs to the installed plotly; a browser test fails when it no longer fits.
PLOTLY_STYLE_HASHES = [
    "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='",
    "'sha256-ji27qzEtxXZW+7dun6UwjHXJ18e6WAin1VvNtkzIE/o='",
]
CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": ["'none'"],
        "script-src": [SELF],
        "style-src": [SELF, *PLOTLY_STYLE_HASHES],
        "img-src": [SELF, "data:", "blob:"],
        "connect-src": [SELF],
        "form-action": [SELF],
        "frame-ancestors": ["'none'"],
        "base-uri": ["'none'"],
    }
}

BACKUP_RECIPIENTS = backup_settings.BACKUP_RECIPIENTS
BACKUP_WORK_DIR = backup_settings.work_dir(LOCAL_DIR)

API_REQUESTS_A_MINUTE = api_settings.API_REQUESTS_A_MINUTE
REST_FRAMEWORK = api_settings.REST_FRAMEWORK
SPECTACULAR_SETTINGS = api_settings.SPECTACULAR_SETTINGS

X_FRAME_OPTIONS = "DENY"
SECURE_REFERRER_POLICY = "same-origin"
SECURE_CONTENT_TYPE_NOSNIFF = True
if PRODUCTION:
    SECURE_SSL_REDIRECT = env.bool("SECURE_SSL_REDIRECT", True)
    SECURE_PROXY_SSL_HEADER = (
        ("HTTP_X_FORWARDED_PROTO", "https") if BEHIND_TLS_PROXY else None  # noqa: F405
    )
    SECURE_HSTS_SECONDS = env.int("SECURE_HSTS_SECONDS", 31_536_000)
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True
    SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = True
    SESSION_COOKIE_NAME = "__Host-session"
    CSRF_COOKIE_NAME = "__Host-csrf"
    LANGUAGE_COOKIE_NAME = "__Host-language"
