-- Version 3 to 4: verdicts, events, findings and the unit of shaft speed in the words of the trade. The numbers of verdicts stay.
UPDATE step SET verdict = CASE verdict
    WHEN 'within' THEN 'in limit'
    WHEN 'outside' THEN 'out of limit'
    WHEN 'not loaded' THEN 'no load current'
    ELSE verdict END;
UPDATE capture SET verdict = CASE verdict
    WHEN 'within' THEN 'in limit'
    WHEN 'outside' THEN 'out of limit'
    WHEN 'not loaded' THEN 'no load current'
    ELSE verdict END;
UPDATE event SET kind = CASE kind
    WHEN 'told' THEN 'announced'
    WHEN 'unfit' THEN 'meter not suited'
    WHEN 'store' THEN 'database'
    ELSE kind END;
UPDATE finding SET kind = CASE kind
    WHEN 'nothing wrong' THEN 'no fault found'
    WHEN 'unlike its siblings' THEN 'differs from the other coils'
    WHEN 'resistance on the feed side' THEN 'high resistance, feed side'
    WHEN 'resistance on the ground side' THEN 'high resistance, ground side'
    WHEN 'resistance in the connector' THEN 'high resistance, connector'
    WHEN 'resistance not placed' THEN 'high resistance, place unknown'
    WHEN 'shared ground' THEN 'high resistance, shared ground'
    WHEN 'feed low everywhere' THEN 'low feed on all circuits'
    WHEN 'feed low in one branch' THEN 'low feed on one circuit'
    WHEN 'short to feed' THEN 'short to power'
    WHEN 'readings contradict' THEN 'contradictory readings'
    WHEN 'not enough measured' THEN 'too little measured'
    ELSE kind END;
-- Texts of the operator and of files stay as they were written.
UPDATE channel SET quantity = 'rpm' WHERE quantity = '1/min';
UPDATE channel SET unit = 'rpm' WHERE unit = '1/min';
UPDATE step SET quantity = 'rpm' WHERE quantity = '1/min';
UPDATE step SET unit = 'rpm' WHERE unit = '1/min';
UPDATE capture SET quantity = 'rpm' WHERE quantity = '1/min';
UPDATE capture SET unit = 'rpm' WHERE unit = '1/min';
UPDATE zero SET quantity = 'rpm' WHERE quantity = '1/min';
UPDATE zero SET unit = 'rpm' WHERE unit = '1/min';
-- Reasons give values with their unit.
UPDATE step SET reason = replace(reason, ' 1/min', ' rpm') WHERE instr(reason, ' 1/min');
UPDATE capture SET reason = replace(reason, ' 1/min', ' rpm') WHERE instr(reason, ' 1/min');
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
        WHEN 4 THEN 'not settled' WHEN 5 THEN 'wrong function' WHEN 6 THEN 'held display' WHEN 7 THEN 'no reading' END AS verdict
FROM sample
JOIN channel ON channel.id = sample.channel
JOIN session ON session.id = channel.session
LEFT JOIN step ON step.session = session.id
    AND sample.rowid BETWEEN step.first_row AND COALESCE(step.last_row, 9223372036854775807);
