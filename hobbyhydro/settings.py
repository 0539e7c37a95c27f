"""Settings, typed and read from the environment; a bad value stops the start and names itself."""

from pathlib import Path

from csp.constants import NONE, SELF
from django.core.exceptions import ImproperlyConfigured
from django.core.management.utils import get_random_secret_key

from hobbyhydro import environment as env

BASE_DIR = Path(__file__).resolve().parent.parent

# The demo runs without a mail server and with a key of its own; nothing else may.
DEMO = env.flag("HOBBYHYDRO_DEMO", default=False)
DEBUG = env.flag("DEBUG", default=False)
DATA_DIR = env.folder("DATA_DIR", default=BASE_DIR)


def _demo_key() -> str:
    """A key made once for this demo and kept beside its database, so sign-ins outlast a restart."""
    path = DATA_DIR / ".demo-key"
    if not path.exists():
        path.write_text(get_random_secret_key())
        path.chmod(0o600)
    return path.read_text()


SECRET_KEY = env.text("SECRET_KEY", default="") or (_demo_key() if DEMO else "")
if len(SECRET_KEY) < 32:
    raise ImproperlyConfigured(
        "SECRET_KEY must be set to at least 32 random characters (only the demo may run without)."
    )

ALLOWED_HOSTS = env.words(
    "ALLOWED_HOSTS", default=["localhost", "127.0.0.1", "[::1]"] if DEMO or DEBUG else []
)
CSRF_TRUSTED_ORIGINS = env.words("CSRF_TRUSTED_ORIGINS", default=[])

INSTALLED_APPS = [
    "django.contrib.auth",
    "django.contrib.contenttypes",
    "django.contrib.sessions",
    "django.contrib.messages",
    "django.contrib.staticfiles",
    "django.contrib.humanize",
    "allauth",
    "allauth.account",
    "crispy_forms",
    "crispy_bootstrap5",
    "django_htmx",
    "lucide",
    "hobbyhydro.households",
    "cartridges",
    "schedule",
]

MIDDLEWARE = [
    "django.middleware.security.SecurityMiddleware",
    "whitenoise.middleware.WhiteNoiseMiddleware",
    "django.contrib.sessions.middleware.SessionMiddleware",
    "django.middleware.common.CommonMiddleware",
    "django.middleware.csrf.CsrfViewMiddleware",
    "django.contrib.auth.middleware.AuthenticationMiddleware",
    "django.contrib.messages.middleware.MessageMiddleware",
    "django.middleware.clickjacking.XFrameOptionsMiddleware",
    "csp.middleware.CSPMiddleware",
    "allauth.account.middleware.AccountMiddleware",
    "django_htmx.middleware.HtmxMiddleware",
    "hobbyhydro.households.middleware.HouseholdMiddleware",
]

ROOT_URLCONF = "hobbyhydro.urls"
WSGI_APPLICATION = "hobbyhydro.wsgi.application"
TEMPLATES = [
    {
        "BACKEND": "django.template.backends.django.DjangoTemplates",
        "DIRS": [BASE_DIR / "templates"],
        "APP_DIRS": True,
        "OPTIONS": {
            "context_processors": [
                "django.template.context_processors.request",
                "django.contrib.auth.context_processors.auth",
                "django.contrib.messages.context_processors.messages",
                "hobbyhydro.households.context.person",
            ],
        },
    }
]
CRISPY_ALLOWED_TEMPLATE_PACKS = "bootstrap5"
CRISPY_TEMPLATE_PACK = "bootstrap5"

DATABASES = {
    "default": env.database("DATABASE_URL", default=f"sqlite:///{DATA_DIR / 'hobbyhydro.sqlite3'}"),
}
if DATABASES["default"]["ENGINE"].endswith("sqlite3"):
    # Readers and one writer side by side; wait for the writer rather than fail.
    DATABASES["default"]["OPTIONS"] = {
        "transaction_mode": "IMMEDIATE",
        "timeout": 20,
        "init_command": "PRAGMA journal_mode=WAL; PRAGMA synchronous=NORMAL;",
    }
DEFAULT_AUTO_FIELD = "django.db.models.BigAutoField"
ATOMIC_REQUESTS = False

AUTH_USER_MODEL = "households.User"
AUTHENTICATION_BACKENDS = [
    "django.contrib.auth.backends.ModelBackend",
    "allauth.account.auth_backends.AuthenticationBackend",
]
PASSWORD_HASHERS = [
    "django.contrib.auth.hashers.Argon2PasswordHasher",
    "django.contrib.auth.hashers.PBKDF2PasswordHasher",
]
AUTH_PASSWORD_VALIDATORS = [
    {"NAME": "django.contrib.auth.password_validation.UserAttributeSimilarityValidator"},
    {
        "NAME": "django.contrib.auth.password_validation.MinimumLengthValidator",
        "OPTIONS": {"min_length": 10},
    },
    {"NAME": "django.contrib.auth.password_validation.CommonPasswordValidator"},
]
LOGIN_URL = "account_login"
LOGIN_REDIRECT_URL = "home"
ACCOUNT_LOGOUT_REDIRECT_URL = "home"
ACCOUNT_LOGIN_METHODS = {"email"}
ACCOUNT_SIGNUP_FIELDS = ["email*", "password1*", "password2*"]
ACCOUNT_SIGNUP_FORM_CLASS = "hobbyhydro.households.forms.SignUpForm"
ACCOUNT_USER_MODEL_USERNAME_FIELD = None
ACCOUNT_EMAIL_VERIFICATION = env.one_of(
    "EMAIL_VERIFICATION",
    ["mandatory", "optional", "none"],
    default="none" if DEMO else "mandatory",
)
ACCOUNT_EMAIL_SUBJECT_PREFIX = ""

EMAIL_CONFIG = env.mail_server("EMAIL_URL", default="consolemail://")
vars().update(EMAIL_CONFIG)
DEFAULT_FROM_EMAIL = env.text("DEFAULT_FROM_EMAIL", default="hobbyhydro@localhost")
EMAIL_TIMEOUT = 20  # seconds for each answer of the mail server
# Links in mail lead here: mail is written where no visitor's request says what we are called.
SITE_URL = env.site(
    "SITE_URL",
    default="http://127.0.0.1:8000"
    if DEMO or DEBUG or not ALLOWED_HOSTS
    else f"https://{ALLOWED_HOSTS[0].lstrip('.*')}",
)

LANGUAGE_CODE = "en-us"
TIME_ZONE = env.time_zone("TIME_ZONE", default="UTC")
USE_I18N = True
USE_TZ = True

STATIC_URL = "static/"
# The demo serves straight from the packages and static/; collectstatic fills this elsewhere.
STATIC_ROOT = None if DEMO else BASE_DIR / "staticfiles"
STATICFILES_DIRS = [BASE_DIR / "static"]
STATICFILES_FINDERS = [
    "django.contrib.staticfiles.finders.FileSystemFinder",
    "django.contrib.staticfiles.finders.AppDirectoriesFinder",
    "hobbyhydro.package_files.PackageFilesFinder",
]
WHITENOISE_USE_FINDERS = DEMO or DEBUG
if not (DEMO or DEBUG):
    STORAGES = {
        "default": {"BACKEND": "django.core.files.storage.FileSystemStorage"},
        "staticfiles": {"BACKEND": "whitenoise.storage.CompressedManifestStaticFilesStorage"},
    }

CONTENT_SECURITY_POLICY = {
    "DIRECTIVES": {
        "default-src": [SELF],
        "script-src": [SELF],
        "style-src": [SELF],
        "img-src": [SELF, "data:"],
        "object-src": [NONE],
        "base-uri": [SELF],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
    }
}
SECURE_CONTENT_TYPE_NOSNIFF = True
SECURE_REFERRER_POLICY = "same-origin"
X_FRAME_OPTIONS = "DENY"
SESSION_COOKIE_HTTPONLY = True
SESSION_COOKIE_SAMESITE = "Lax"
BEHIND_TLS = env.flag("BEHIND_TLS", default=not (DEMO or DEBUG))
SESSION_COOKIE_SECURE = CSRF_COOKIE_SECURE = BEHIND_TLS
if BEHIND_TLS:
    SECURE_PROXY_SSL_HEADER = ("HTTP_X_FORWARDED_PROTO", "https")
    SECURE_SSL_REDIRECT = True
    SECURE_HSTS_SECONDS = 31_536_000
    SECURE_HSTS_INCLUDE_SUBDOMAINS = True
    SECURE_HSTS_PRELOAD = True

DATA_UPLOAD_MAX_MEMORY_SIZE = 20 * 1024 * 1024
FILE_UPLOAD_MAX_MEMORY_SIZE = 20 * 1024 * 1024

# The ensemble behind every forecast; fewer members answer faster and less smoothly.
MODEL_MEMBERS = env.integer("MODEL_MEMBERS", default=4096, least=64, most=1_048_576)
