"""Addresses of the API on what the record says."""

from django.urls import URLPattern, URLResolver, path

from outcomes.api import cohorts, reference, releases, survival

urlpatterns: list[URLPattern | URLResolver] = [
    path("survival/", survival.SurvivalView.as_view(), name="api_survival"),
    path("survival/<slug:view>/", survival.FurtherView.as_view(), name="api_survival_view"),
    path("cohorts/", cohorts.CohortList.as_view(), name="api_cohort_list"),
    path("cohorts/<uuid:uuid>/", cohorts.CohortOne.as_view(), name="api_cohort"),
    path("cohorts/<uuid:uuid>/versions/", cohorts.VersionList.as_view(), name="api_cohort_version_list"),
    path(
        "cohorts/<uuid:uuid>/versions/<int:number>/", cohorts.VersionOne.as_view(), name="api_cohort_version"
    ),
    path("releases/", releases.ReleaseList.as_view(), name="api_release_list"),
    path("releases/<uuid:uuid>/", releases.ReleaseOne.as_view(), name="api_release"),
    path("releases/<uuid:uuid>/manifest/", releases.Manifest.as_view(), name="api_release_manifest"),
    path("releases/<uuid:uuid>/package/", releases.Package.as_view(), name="api_release_package"),
    path("reference/vocabulary/", reference.VocabularyList.as_view(), name="api_vocabulary_list"),
    path("reference/vocabulary/<slug:name>/", reference.VocabularyOne.as_view(), name="api_vocabulary"),
    path("reference/instruments/", reference.InstrumentList.as_view(), name="api_instrument_list"),
    path("reference/instruments/<slug:code>/", reference.InstrumentOne.as_view(), name="api_instrument"),
    path("reference/definitions/", reference.DefinitionList.as_view(), name="api_definition_list"),
    path("reference/thresholds/", reference.ThresholdList.as_view(), name="api_threshold_list"),
    path("reference/published/", reference.PublishedFigureList.as_view(), name="api_published_figure_list"),
    path("reference/plan/", reference.Plan.as_view(), name="api_plan"),
]
