"""Plain SQL of Today, as `plain_sql`: what patients told, staged knees, what is lacking, and what is new."""

# ruff: noqa: S608 - put together from the constants below and the database's own keys alone

from outcomes.bench.pages.plain_sql import EVENTS

_OPERATIONS = "operation.withdrawn_at IS NULL AND operation.unit_id IN ({units})"
_OF_UNITS = "JOIN registry_indexprocedure operation ON operation.id = {key} WHERE " + _OPERATIONS
_LACKS_OF_TEAR = (
    "tear.vascular_zone = ''",
    "tear.rim_zone IS NULL",
    "tear.radial_location = ''",
    "tear.depth = ''",
    "tear.length_mm IS NULL",
    "tear.tissue = ''",
    "tear.unstable IS NULL",
    "tear.pattern = 'root' AND tear.root_type = ''",
    "tear.pattern = 'ramp' AND tear.ramp_type = ''",
)
_LACKS_OF_OPERATION = (
    "operation.injury_cause = ''",
    "operation.bmi IS NULL",
    "operation.smoking = ''",
    "operation.asa IS NULL",
    "operation.preinjury_tegner IS NULL",
    "'not_assessed' IN (operation.vascular_zone_met, operation.unstable_on_probing, operation.body_intact, "
    "operation.knee_stable, operation.alignment_acceptable, operation.cartilage_acceptable)",
    "operation.alignment_acceptable = 'no' AND operation.hka_deg IS NULL",
    "operation.acl IN ('treated_here', 'staged', 'left') AND operation.posteromedial_look = ''",
    "NOT EXISTS (SELECT 1 FROM registry_rehabilitation plan WHERE plan.procedure_id = operation.id "
    "AND plan.withdrawn_at IS NULL AND plan.course = 'planned')",
)
_LACKS_OF_REPAIR = (
    "repair.stable_at_end IS NULL",
    "NOT EXISTS (SELECT 1 FROM registry_suturepass pass WHERE pass.repair_id = repair.id "
    "AND pass.withdrawn_at IS NULL)",
)


def _counted(conditions: tuple[str, ...]) -> str:
    return ", ".join(f"sum(CASE WHEN {each} THEN 1 ELSE 0 END)" for each in conditions)


def _any_of(conditions: tuple[str, ...]) -> str:
    return " OR ".join(f"({each})" for each in conditions)


_LACKING = f"""
    FROM registry_indexprocedure operation
    WHERE {_OPERATIONS} AND ({_any_of(_LACKS_OF_OPERATION)}
        OR EXISTS (SELECT 1 FROM registry_tear tear WHERE tear.procedure_id = operation.id
            AND tear.withdrawn_at IS NULL AND ({_any_of(_LACKS_OF_TEAR)}))
        OR EXISTS (SELECT 1 FROM registry_tear tear JOIN registry_repair repair ON repair.tear_id = tear.id
            WHERE tear.procedure_id = operation.id AND repair.withdrawn_at IS NULL
                AND ({_any_of(_LACKS_OF_REPAIR)})))"""
_RECENT = " UNION ALL ".join(
    f"SELECT event.knee_id AS knee, event.recorded_at FROM registry_{event} event "
    "WHERE event.withdrawn_at IS NULL AND event.recorded_at >= '{since}' AND EXISTS (SELECT 1 "
    "FROM registry_indexprocedure operation WHERE operation.knee_id = event.knee_id AND " + _OPERATIONS + ")"
    for event in ("indexprocedure", *EVENTS)
)
_STAGED = f"""
    FROM registry_indexprocedure operation
    JOIN registry_knee knee ON knee.id = operation.knee_id
    JOIN registry_patient patient ON patient.id = knee.patient_id
    WHERE {_OPERATIONS} AND operation.staging = 'repair_first' AND patient.died_on IS NULL
        AND NOT EXISTS (SELECT 1 FROM registry_endoffollowup ended
            WHERE ended.patient_id = patient.id AND ended.withdrawn_at IS NULL)
        AND NOT EXISTS (SELECT 1 FROM registry_secondlook look WHERE look.knee_id = operation.knee_id
            AND look.withdrawn_at IS NULL AND look.looked_on >= operation.operated_on)"""
_TOLD = (
    "FROM registry_patientreport report WHERE report.withdrawn_at IS NULL AND {condition} AND EXISTS "
    "(SELECT 1 FROM registry_indexprocedure operation WHERE operation.knee_id = report.knee_id AND "
    + _OPERATIONS
    + ")"
)
_SIGNS = _TOLD.replace("{condition}", "NOT report.signs_seen_to AND (fever OR calf_pain OR locked_knee)")
_TO_VERIFY = _TOLD.replace(
    "{condition}",
    "operated_again <> 'no' AND reoperation_id IS NULL AND operation_id IS NULL "
    "AND no_reoperation_because = ''",
)

TODAY = (
    f"SELECT * {_SIGNS}",
    f"SELECT count(*) {_TO_VERIFY}",
    f"SELECT count(*), min(operation.ligament_planned_on) {_STAGED}",
    f"SELECT count(*), {_counted(_LACKS_OF_OPERATION)} FROM registry_indexprocedure operation "
    f"WHERE {_OPERATIONS}",
    f"SELECT count(*), {_counted(_LACKS_OF_TEAR)} FROM registry_tear tear "
    + _OF_UNITS.replace("{key}", "tear.procedure_id")
    + " AND tear.withdrawn_at IS NULL",
    f"SELECT count(*), {_counted(_LACKS_OF_REPAIR)} FROM registry_repair repair JOIN registry_tear tear "
    "ON tear.id = repair.tear_id "
    + _OF_UNITS.replace("{key}", "tear.procedure_id")
    + " AND repair.withdrawn_at IS NULL",
    f"SELECT count(*) {_LACKING}",
    f"SELECT operation.* {_LACKING} ORDER BY operation.operated_on DESC, operation.id DESC LIMIT 20",
    f"SELECT count(*) FROM ({_RECENT}) AS recent",
    f"SELECT * FROM ({_RECENT}) AS recent ORDER BY recorded_at DESC LIMIT 20",
)
