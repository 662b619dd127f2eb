-- The count table of the released repairs: all that survival needs, in one question.
--
-- Standard SQL that DuckDB and Spark run word for word. It asks a table or view named repairs, which is
-- repairs.parquet or any number of Parquet files into which its rows were parted.
--
--   DuckDB:  CREATE VIEW repairs AS SELECT * FROM 'repairs.parquet';  then this file
--   Spark:   spark.read.parquet(folder).createOrReplaceTempView("repairs");  then spark.sql(this file)
--
-- One row for each combination that occurs:
--
--   zone, acuity, ligament  the strata. Any coded columns of the codebook may take their place: change them
--                           wherever they are named, there is nothing else to change.
--   entry    day from the operation on which a repair was entered later from old notes, and is at risk from;
--            0 for the others. Repairs with an entry of day or more were never at risk while known.
--   patient  pseudonym of a patient with several repairs in the table, so that an estimator can take the
--            patient as cluster; NULL for all others together.
--   day      days from the operation to the outcome.
--   outcome  failed, censored, died, replaced or removed_elsewhere, by the definition of method.md.
--   n        repairs.
--
-- Tables of parts add up row by row: rows alike in all but n become one, with the sum of their n. That holds
-- where all repairs of a patient lie in one part, as when rows are parted by a hash of patient. Parted
-- otherwise, a patient with one repair in each of two parts would not be known as one with several: n would be
-- right for each day, but intervals that take the patient as cluster would not be.
WITH several AS (
    SELECT patient
    FROM repairs
    GROUP BY patient
    HAVING COUNT(*) > 1
)
SELECT
    repairs.zone,
    repairs.acuity,
    repairs.ligament,
    repairs.at_risk_from AS entry,
    several.patient AS patient,
    repairs.days AS day,
    repairs.outcome,
    COUNT(*) AS n
FROM repairs
LEFT JOIN several ON several.patient = repairs.patient
GROUP BY
    repairs.zone,
    repairs.acuity,
    repairs.ligament,
    repairs.at_risk_from,
    several.patient,
    repairs.days,
    repairs.outcome
ORDER BY
    zone,
    acuity,
    ligament,
    entry,
    patient NULLS FIRST,
    day,
    outcome
