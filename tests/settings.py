"""The demo's settings with a key of the tests' own; DATABASE_URL moves them to another database."""

import os

os.environ.setdefault("HOBBYHYDRO_DEMO", "true")
os.environ.setdefault("SECRET_KEY", "for the tests alone, and nothing but the tests")

from hobbyhydro.settings import *  # noqa: E402, F403 - the environment has to be set first

EMAIL_BACKEND = "django.core.mail.backends.locmem.EmailBackend"
PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]  # signing in is not the test
ACCOUNT_RATE_LIMITS = False
