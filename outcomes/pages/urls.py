"""Addresses of what the record says."""

from django.urls import path

from outcomes.pages import releases, repairs, score_curve, standing, survival

urlpatterns = [
    path("repairs/", repairs.repairs, name="repairs"),
    path("knees/<uuid:knee>/standing/", standing.standing, name="standing"),
    path("knees/<uuid:knee>/scores/", score_curve.score_curve, name="knee_scores"),
    path("survival/", survival.survival, name="survival"),
    path("survival/<slug:stratum>.csv", survival.survival_csv, name="survival_csv"),
    path("releases/", releases.releases, name="releases"),
]
