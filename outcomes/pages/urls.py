"""Addresses of what the record says."""

from django.urls import path

from outcomes.pages import releases, repairs, response, score_curve, scores, standing, survival

urlpatterns = [
    path("repairs/", repairs.repairs, name="repairs"),
    path("knees/<uuid:knee>/standing/", standing.standing, name="standing"),
    path("knees/<uuid:knee>/scores/", score_curve.score_curve, name="knee_scores"),
    path("knees/<uuid:knee>/scores.csv", score_curve.score_curve_csv, name="knee_scores_csv"),
    path("survival/", survival.survival, name="survival"),
    path("survival/<slug:stratum>.csv", survival.survival_csv, name="survival_csv"),
    path("scores/", scores.scores, name="scores"),
    path("scores/<slug:part>.csv", scores.scores_csv, name="scores_csv"),
    path("response/", response.response, name="response"),
    path("response/<slug:breakdown>.csv", response.response_csv, name="response_csv"),
    path("releases/", releases.releases, name="releases"),
]
