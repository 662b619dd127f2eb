"""The WSGI application. Served this way the mode is production unless the environment says otherwise."""

import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("RIMWARD_MODE", "production")
os.environ.setdefault("DJANGO_SETTINGS_MODULE", "registry.site.settings")

application = get_wsgi_application()
