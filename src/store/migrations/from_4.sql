-- Version 4 to 5: how warm the machine is, the uncertainty of the shown value beside that of the judged one, limits that refer to
-- other values, and questions; the touches of the leads that prove a capture, and what is to be known about it;
-- corrections.
ALTER TABLE session ADD COLUMN machine_state TEXT;
ALTER TABLE capture ADD COLUMN measured_u REAL;
ALTER TABLE capture ADD COLUMN digit REAL;
ALTER TABLE capture ADD COLUMN answer TEXT;
ALTER TABLE figure ADD COLUMN digit REAL;
ALTER TABLE capture ADD COLUMN proof TEXT NOT NULL DEFAULT '';
ALTER TABLE capture ADD COLUMN flags TEXT NOT NULL DEFAULT '';
ALTER TABLE step ADD COLUMN limit_text TEXT;
CREATE TABLE correction (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_us INTEGER NOT NULL,
    made_by TEXT NOT NULL,
    field TEXT NOT NULL,
    value_before TEXT NOT NULL,
    value_after TEXT NOT NULL
) STRICT;
DROP VIEW reading;
-- The samples as a person wants them: one row a sample with names and words.
CREATE VIEW reading AS
SELECT
    session.id AS session,                                     -- session.id
    sample.rowid AS row,                                       -- sample.rowid
    sample.time_us / 1e6 AS elapsed_s,                         -- seconds since the session began
    step.number AS step,                                       -- step.number; NULL where no step was on
    step.name AS step_name,                                    -- step.name
    channel.name AS channel,                                   -- channel.name
    channel.quantity AS quantity,                              -- channel.quantity
    sample.value AS value,                                     -- in unit
    channel.unit AS unit,                                      -- channel.unit
    CASE sample.verdict WHEN 0 THEN 'in limit' WHEN 1 THEN 'out of limit' WHEN 2 THEN 'too close to call' WHEN 3 THEN 'no load current'
        WHEN 4 THEN 'not settled' WHEN 5 THEN 'wrong function' WHEN 6 THEN 'held display' WHEN 7 THEN 'no reading' WHEN 8 THEN 'no reference' END AS verdict
FROM sample
JOIN channel ON channel.id = sample.channel
JOIN session ON session.id = channel.session
LEFT JOIN step ON step.session = session.id
    AND sample.rowid BETWEEN step.first_row AND COALESCE(step.last_row, 9223372036854775807);
