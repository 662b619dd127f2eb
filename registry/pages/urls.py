"""Addresses of the record."""

from django.urls import path

from registry.pages.find_patient import find_patient
from registry.pages.identity import identity
from registry.pages.knee_story import knee_story
from registry.pages.record_event import record_event
from registry.pages.record_operation import record_operation
from registry.pages.session import sign_in, sign_out
from registry.pages.today import today

urlpatterns = [
    path("", today, name="today"),
    path("find/", find_patient, name="find_patient"),
    path("sign-in/", sign_in, name="sign_in"),
    path("sign-out/", sign_out, name="sign_out"),
    path("knees/<uuid:knee>/", knee_story, name="knee_story"),
    path("operations/new/", record_operation, name="record_operation"),
    path("knees/<uuid:knee>/identity/", identity, name="identity"),
    path("knees/<uuid:knee>/operation/", record_operation, name="record_next_operation"),
    path("knees/<uuid:knee>/record/<slug:kind>/", record_event, name="record_event"),
]
