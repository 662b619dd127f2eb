"""Plain SQL, written by hand, that answers what each page is asked, with nothing to spare.

It is the bar a page is held to, so it reads no more than the answer needs and knows nothing of the project's
queries. `{units}` stands for keys of units, `{knee}` for one knee, `{surgeon}` for one surgeon, `{plan}` for
the plan of each unit as rows, `{today}` for a day, `{since}` for a moment: all of the database's own, never
of a reader. SQLite and PostgreSQL alike, but for `{elapsed}`, `{opens_on}`, `{closes_on}`, `{duration}`,
`{least}` and `{never}`.
"""

# ruff: noqa: S608 - put together from the constants below and the database's own keys alone

# --- the end of a repair ----------------------------------------------------------------------

_FAILING = "('re_repair', 'partial_removal', 'total_removal', 'transplant', 'root_refixation')"
_REPLACEMENTS = "('partial_replacement', 'total_replacement')"
_REMOVING = "('total_removal', 'transplant')"


def _failures(of: str = "") -> str:
    """Days on which tears failed by reoperation; `of` narrows them to a tear."""
    return f"""
        SELECT on_tear.tear_id AS tear, again.operated_on AS day
        FROM registry_reoperationontear on_tear
        JOIN registry_reoperation again ON again.id = on_tear.reoperation_id
        WHERE on_tear.withdrawn_at IS NULL AND on_tear.site = 'same' AND on_tear.action IN {_FAILING}
            {of and f"AND on_tear.tear_id = {of}"}
        UNION ALL
        SELECT finding.tear_id, look.looked_on
        FROM registry_secondlookfinding finding
        JOIN registry_secondlook look ON look.id = finding.look_id
        WHERE finding.withdrawn_at IS NULL AND finding.action IN {_FAILING}
            {of and f"AND finding.tear_id = {of}"}
        UNION ALL
        SELECT later.revises_id, operation.operated_on
        FROM registry_tear later
        JOIN registry_indexprocedure operation ON operation.id = later.procedure_id
        WHERE later.withdrawn_at IS NULL AND later.revises_id IS NOT NULL
            AND later.treatment IN ('repaired', 'part_repaired', 'removed')
            {of and f"AND later.revises_id = {of}"}"""


def _removals(of: str = "", knee: str = "", meniscus: str = "") -> str:
    """Days on which a knee's meniscus was removed; narrowed to one knee and meniscus."""
    narrowed = f"AND again.knee_id = {knee} AND other.meniscus = {meniscus}" if of else ""
    looked = narrowed.replace("again.", "look.")
    return f"""
        SELECT again.knee_id AS knee, other.meniscus AS meniscus, again.operated_on AS day
        FROM registry_reoperation again
        JOIN registry_reoperationontear on_tear ON on_tear.reoperation_id = again.id
        JOIN registry_tear other ON other.id = on_tear.tear_id
        WHERE on_tear.withdrawn_at IS NULL AND on_tear.action IN {_REMOVING} {narrowed}
        UNION ALL
        SELECT look.knee_id, other.meniscus, look.looked_on
        FROM registry_secondlook look
        JOIN registry_secondlookfinding finding ON finding.look_id = look.id
        JOIN registry_tear other ON other.id = finding.tear_id
        WHERE finding.withdrawn_at IS NULL AND finding.action IN {_REMOVING} {looked}"""


def _known_well(of: str = "") -> str:
    """Days on which knees were known well; `of` narrows them to a knee."""
    rows = (
        ("registry_visit", "seen_on", ""),
        ("registry_secondlook", "looked_on", ""),
        ("registry_reoperation", "operated_on", ""),
        ("registry_indexprocedure", "operated_on", ""),
        ("registry_contact", "contacted_on", ""),
        ("registry_scoreresponse", "answered_on", "AND reoperated_since = 'no'"),
        ("registry_patientreport", "answered_on", "AND operated_again = 'no'"),
    )
    return " UNION ALL ".join(
        f"SELECT knee_id AS knee, {day} AS day FROM {table} WHERE withdrawn_at IS NULL {condition}"
        f"{of and f' AND knee_id = {of}'}"
        for table, day, condition in rows
    )


# --- Repairs ----------------------------------------------------------------------------------

_REPAIRS = """
    registry_repair repair
    JOIN registry_tear tear ON tear.id = repair.tear_id
    JOIN registry_indexprocedure operation ON operation.id = tear.procedure_id
    WHERE repair.withdrawn_at IS NULL AND operation.unit_id IN ({units})"""

# How many match, and the fifty operated on last, each with what became of it.
REPAIRS = (
    f"SELECT count(*) FROM {_REPAIRS}",
    f"""
    WITH shown AS (
        SELECT repair.id, repair.augmentation, tear.id AS tear, tear.meniscus, tear.pattern,
            tear.vascular_zone, operation.operated_on, operation.staging, operation.acl, operation.pcl,
            operation.mcl, operation.lcl, operation.posterolateral, operation.anterolateral,
            operation.knee_id AS knee, operation.unit_id, operation.lead_surgeon_id
        FROM {_REPAIRS}
        ORDER BY operation.operated_on DESC, repair.id DESC
        LIMIT 50
    )
    SELECT shown.*, knee.uuid, knee.side, patient.uuid, unit.name, surgeon.name, surgeon.user_id,
        patient.died_on,
        (SELECT min(day) FROM ({_failures("shown.tear")}) AS failed) AS failed_on,
        (SELECT min(again.operated_on) FROM registry_reoperation again
            WHERE again.knee_id = shown.knee AND again.withdrawn_at IS NULL
                AND again.operated_on >= shown.operated_on
                AND again.other_surgery IN {_REPLACEMENTS}) AS replaced_on,
        (SELECT min(day) FROM ({_removals("shown.tear", "shown.knee", "shown.meniscus")}) AS removed
            WHERE day >= shown.operated_on) AS removed_on,
        (SELECT max(day) FROM ({_known_well("shown.knee")}) AS known) AS known_on
    FROM shown
    JOIN registry_knee knee ON knee.id = shown.knee
    JOIN registry_patient patient ON patient.id = knee.patient_id
    JOIN registry_unit unit ON unit.id = shown.unit_id
    JOIN registry_surgeon surgeon ON surgeon.id = shown.lead_surgeon_id
    ORDER BY shown.operated_on DESC, shown.id DESC""",
)

# --- Due --------------------------------------------------------------------------------------

_ANSWERED = " ".join(
    f"""AND NOT EXISTS (SELECT 1 FROM {table} answer
        WHERE answer.knee_id = review.knee AND answer.withdrawn_at IS NULL
            AND answer.{day} >= review.opens_on AND answer.{day} <= '{{today}}')"""
    for table, day in (
        ("registry_visit", "seen_on"),
        ("registry_scoreresponse", "answered_on"),
        ("registry_patientreport", "answered_on"),
    )
)
_REPAIRED = """EXISTS (SELECT 1 FROM registry_tear tear WHERE tear.procedure_id = {operation}.id
    AND tear.withdrawn_at IS NULL AND tear.treatment IN ('repaired', 'part_repaired'))"""
_LIGAMENT = """
    SELECT min(day) FROM (
        SELECT again.operated_on AS day FROM registry_reoperation again
        WHERE again.knee_id = operation.knee_id AND again.withdrawn_at IS NULL
            AND again.other_surgery = 'ligament' AND again.operated_on > operation.operated_on
            AND again.operated_on <= '{today}'
        UNION ALL
        SELECT later.operated_on FROM registry_indexprocedure later
        WHERE later.knee_id = operation.knee_id AND later.withdrawn_at IS NULL
            AND later.operated_on > operation.operated_on AND later.operated_on <= '{today}'
            AND 'treated_here' IN
                (later.acl, later.pcl, later.mcl, later.lcl, later.posterolateral, later.anterolateral)
    ) AS ligament"""

# Every review that waits for an answer once; how many in which state and after how long, and the first fifty.
DUE = (
    f"""
    WITH plan (unit_id, time_point, opens_day, due_day, closes_day, next_opens_day) AS (VALUES {{plan}}),
    operated AS (
        SELECT operation.id, operation.knee_id AS knee, operation.unit_id, operation.operated_on,
            CASE WHEN operation.staging = 'repair_first' AND unit.ligament_restarts_reviews
                THEN coalesce(({_LIGAMENT}), operation.operated_on) ELSE operation.operated_on
                END AS starts_on
        FROM registry_indexprocedure operation
        JOIN registry_unit unit ON unit.id = operation.unit_id
        JOIN registry_knee knee ON knee.id = operation.knee_id
        JOIN registry_patient patient ON patient.id = knee.patient_id
        WHERE operation.withdrawn_at IS NULL AND operation.unit_id IN ({{units}})
            AND operation.operated_on <= '{{today}}'
            AND (patient.died_on IS NULL OR patient.died_on > '{{today}}')
            AND {_REPAIRED.replace("{operation}", "operation")}
            AND NOT EXISTS (SELECT 1 FROM registry_indexprocedure later
                WHERE later.knee_id = operation.knee_id AND later.withdrawn_at IS NULL
                    AND later.operated_on > operation.operated_on AND later.operated_on <= '{{today}}'
                    AND {_REPAIRED.replace("{operation}", "later")})
            AND NOT EXISTS (SELECT 1 FROM registry_endoffollowup ended
                WHERE ended.patient_id = patient.id AND ended.withdrawn_at IS NULL
                    AND ended.ended_on <= '{{today}}')
            AND NOT EXISTS (SELECT 1 FROM registry_reoperation replaced
                WHERE replaced.knee_id = operation.knee_id AND replaced.withdrawn_at IS NULL
                    AND replaced.other_surgery IN {_REPLACEMENTS}
                    AND replaced.operated_on BETWEEN operation.operated_on AND '{{today}}')
    ),
    review AS (
        SELECT operated.*, plan.time_point, plan.due_day, plan.closes_day,
            {{elapsed}} AS elapsed, {{opens_on}} AS opens_on, {{closes_on}} AS closes_on
        FROM operated JOIN plan ON plan.unit_id = operated.unit_id
        WHERE {{elapsed}} >= plan.opens_day AND {{elapsed}} < plan.next_opens_day
    ),
    waiting AS MATERIALIZED (
        SELECT review.*, CASE WHEN elapsed < due_day THEN 'open' WHEN elapsed <= closes_day THEN 'due'
            ELSE 'overdue' END AS state
        FROM review
        WHERE NOT EXISTS (SELECT 1 FROM registry_givenupreview given_up
                WHERE given_up.knee_id = review.knee AND given_up.withdrawn_at IS NULL
                    AND given_up.time_point = review.time_point
                    AND given_up.given_up_on BETWEEN review.starts_on AND '{{today}}')
            {_ANSWERED}
    ),
    shown AS (SELECT * FROM waiting ORDER BY closes_on, knee LIMIT 50)
    SELECT state, time_point, count(*), NULL AS unit_id, NULL AS closes_on, NULL AS patient_id,
        NULL AS booked_for
    FROM waiting GROUP BY state, time_point
    UNION ALL
    SELECT shown.state, shown.time_point, shown.knee, shown.unit_id, shown.closes_on, knee.patient_id,
        (SELECT min(booked.booked_for) FROM registry_bookedvisit booked
            WHERE booked.knee_id = shown.knee AND booked.withdrawn_at IS NULL
                AND booked.booked_for >= '{{today}}')
    FROM shown JOIN registry_knee knee ON knee.id = shown.knee""",
)
# By engine: days between two dates, and a date so many days later.
ELAPSED = {
    "sqlite": "CAST(julianday('{today}') - julianday(operated.starts_on) AS INTEGER)",
    "postgresql": "('{today}'::date - operated.starts_on)",
}
AFTER_START = {
    "sqlite": "date(operated.starts_on, plan.{day} || ' days')",
    "postgresql": "(operated.starts_on + plan.{day})",
}

# --- Knee story -------------------------------------------------------------------------------

EVENTS = (
    "visit",
    "secondlook",
    "imaging",
    "reoperation",
    "complication",
    "contact",
    "scoreresponse",
    "patientreport",
    "givenupreview",
    "bookedvisit",
)
# Parts of an event, by the way to the knee.
_PARTS = {
    "secondlookfinding": ("look_id", "secondlook"),
    "imagingfinding": ("imaging_id", "imaging"),
    "reoperationontear": ("reoperation_id", "reoperation"),
    "tear": ("procedure_id", "indexprocedure"),
    "implant": ("procedure_id", "indexprocedure"),
    "rehabilitation": ("procedure_id", "indexprocedure"),
}
_REPAIRS_OF_KNEE = """
    SELECT repair.id FROM registry_repair repair JOIN registry_tear tear ON tear.id = repair.tear_id
    JOIN registry_indexprocedure operation ON operation.id = tear.procedure_id
    WHERE operation.knee_id = {knee}"""

# Every row of one knee.
STORY = (
    "SELECT knee.*, patient.* FROM registry_knee knee JOIN registry_patient patient "
    "ON patient.id = knee.patient_id WHERE knee.id = {knee}",
    "SELECT * FROM registry_indexprocedure WHERE knee_id = {knee} AND withdrawn_at IS NULL",
    *(
        f"SELECT * FROM registry_{event} WHERE knee_id = {{knee}} AND withdrawn_at IS NULL"
        for event in EVENTS
    ),
    *(
        f"SELECT part.* FROM registry_{part} part JOIN registry_{whole} whole ON whole.id = part.{key} "
        "WHERE whole.knee_id = {knee} AND part.withdrawn_at IS NULL"
        for part, (key, whole) in _PARTS.items()
    ),
    f"SELECT * FROM registry_repair WHERE id IN ({_REPAIRS_OF_KNEE})",
    f"SELECT * FROM registry_suturepass WHERE repair_id IN ({_REPAIRS_OF_KNEE})",
    "SELECT ended.* FROM registry_endoffollowup ended JOIN registry_knee knee "
    "ON knee.patient_id = ended.patient_id WHERE knee.id = {knee} AND ended.withdrawn_at IS NULL",
    "SELECT entry_table, entry_id, count(DISTINCT act), max(made_at) FROM registry_correction change "
    "JOIN registry_knee knee ON knee.patient_id = change.patient_id WHERE knee.id = {knee} "
    "GROUP BY entry_table, entry_id",
)

# --- My results -------------------------------------------------------------------------------

# Primary repairs of the surgeon and of everybody else there, by day and end.
OWN = (
    f"""
    WITH failed AS (SELECT tear, min(day) AS day FROM ({_failures()}) AS failures GROUP BY tear),
    replaced AS (
        SELECT operation.id AS operation, min(again.operated_on) AS day
        FROM registry_reoperation again
        JOIN registry_indexprocedure operation ON operation.knee_id = again.knee_id
        WHERE again.withdrawn_at IS NULL AND again.other_surgery IN {_REPLACEMENTS}
            AND again.operated_on >= operation.operated_on
        GROUP BY operation.id
    ),
    removed AS (
        SELECT operation.id AS operation, removal.meniscus, min(removal.day) AS day
        FROM ({_removals()}) AS removal
        JOIN registry_indexprocedure operation ON operation.knee_id = removal.knee
        WHERE removal.day >= operation.operated_on
        GROUP BY operation.id, removal.meniscus
    ),
    known AS (SELECT knee, max(day) AS day FROM ({_known_well()}) AS known GROUP BY knee),
    dated AS (
        SELECT CASE WHEN operation.lead_surgeon_id = {{surgeon}} THEN 1 ELSE 0 END AS own,
            operation.operated_on, coalesce(failed.day, {{never}}) AS failed_on, known.day AS known_on,
            {{least}}(
                coalesce(patient.died_on, {{never}}),
                coalesce(replaced.day, {{never}}),
                coalesce(removed.day, {{never}})
            ) AS ended_on
        FROM registry_repair repair
        JOIN registry_tear tear ON tear.id = repair.tear_id
        JOIN registry_indexprocedure operation ON operation.id = tear.procedure_id
        JOIN registry_knee knee ON knee.id = operation.knee_id
        JOIN registry_patient patient ON patient.id = knee.patient_id
        LEFT JOIN failed ON failed.tear = tear.id
        LEFT JOIN known ON known.knee = operation.knee_id
        LEFT JOIN replaced ON replaced.operation = operation.id
        LEFT JOIN removed ON removed.operation = operation.id AND removed.meniscus = tear.meniscus
        WHERE repair.withdrawn_at IS NULL AND tear.revises_id IS NULL AND operation.unit_id IN ({{units}})
    ),
    ends AS (
        SELECT own, operated_on,
            CASE WHEN failed_on <= ended_on AND failed_on < {{never}} THEN 'failed'
                WHEN ended_on < {{never}} THEN 'ended' ELSE 'standing' END AS outcome,
            CASE WHEN failed_on < {{never}} OR ended_on < {{never}} THEN {{least}}(failed_on, ended_on)
                ELSE known_on END AS day
        FROM dated
    )
    SELECT own, {{duration}} AS duration, outcome, count(*) FROM ends GROUP BY 1, 2, 3""",
)
DURATION = {
    "sqlite": "CAST(julianday(day) - julianday(operated_on) AS INTEGER)",
    "postgresql": "(day - operated_on)",
}
LEAST = {"sqlite": "min", "postgresql": "least"}
NEVER = {"sqlite": "'9999-12-31'", "postgresql": "DATE '9999-12-31'"}
