"""The WSGI application that a web server runs."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "project.settings.production")
os.environ["TRAPNIGHT_PROGRAM"] = "web"  # project/patience.py: the database answers a page soon or not at all

application = get_wsgi_application()
