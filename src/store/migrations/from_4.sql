-- Version 4 to 5: how warm the machine is, the uncertainty of the shown value beside that of the judged one, limits that refer to
-- other values, and questions; the touches of the leads that prove a capture, and what is to be known about it;
-- corrections; what a judgement rests on, and judgements beside the first one; the capture at which findings end.
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
    subject TEXT NOT NULL DEFAULT '',
    value_before TEXT NOT NULL,
    value_after TEXT NOT NULL,
    undone_us INTEGER,
    undone_by TEXT
) STRICT;
ALTER TABLE session ADD COLUMN judgement INTEGER NOT NULL DEFAULT 0;
ALTER TABLE session ADD COLUMN retests TEXT;
ALTER TABLE capture ADD COLUMN judgement INTEGER NOT NULL DEFAULT 0;
CREATE TABLE input (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    at_us INTEGER NOT NULL,
    next_row INTEGER NOT NULL,
    kind TEXT NOT NULL,
    content TEXT NOT NULL
) STRICT;
CREATE TABLE judgement (
    session INTEGER NOT NULL REFERENCES session (id),
    number INTEGER NOT NULL,
    at_us INTEGER NOT NULL,
    made_by TEXT NOT NULL,
    procedure_title TEXT,
    procedure_text TEXT,
    corrections INTEGER NOT NULL,
    program TEXT NOT NULL,
    PRIMARY KEY (session, number)
) STRICT, WITHOUT ROWID;
CREATE TABLE excursion (
    session INTEGER NOT NULL REFERENCES session (id),
    judgement INTEGER NOT NULL DEFAULT 0,
    step INTEGER NOT NULL,
    number INTEGER NOT NULL,
    channel TEXT NOT NULL,
    quantity TEXT NOT NULL,
    unit TEXT NOT NULL,
    began_us INTEGER NOT NULL,
    ended_us INTEGER,
    worst REAL,
    beyond INTEGER,
    worst_us INTEGER NOT NULL,
    limit_low REAL,
    limit_high REAL,
    shown TEXT NOT NULL,
    PRIMARY KEY (session, judgement, step, number)
) STRICT, WITHOUT ROWID;
CREATE TABLE dropout (
    session INTEGER NOT NULL REFERENCES session (id),
    judgement INTEGER NOT NULL DEFAULT 0,
    step INTEGER NOT NULL,
    number INTEGER NOT NULL,
    channel TEXT NOT NULL,
    quantity TEXT NOT NULL,
    unit TEXT NOT NULL,
    began_us INTEGER NOT NULL,
    ended_us INTEGER NOT NULL,
    level REAL NOT NULL,
    least REAL NOT NULL,
    samples INTEGER NOT NULL,
    PRIMARY KEY (session, judgement, step, number, channel)
) STRICT, WITHOUT ROWID;
CREATE TABLE change (
    session INTEGER NOT NULL REFERENCES session (id),
    judgement INTEGER NOT NULL DEFAULT 0,
    step INTEGER NOT NULL,
    number INTEGER NOT NULL,
    channel TEXT NOT NULL,
    quantity TEXT NOT NULL,
    unit TEXT NOT NULL,
    at_us INTEGER NOT NULL,
    level_before REAL NOT NULL,
    level_after REAL NOT NULL,
    lasted_us INTEGER NOT NULL,
    interval_us INTEGER NOT NULL,
    PRIMARY KEY (session, judgement, step, number)
) STRICT, WITHOUT ROWID;
CREATE TABLE response (
    session INTEGER NOT NULL REFERENCES session (id),
    judgement INTEGER NOT NULL DEFAULT 0,
    step INTEGER NOT NULL,
    number INTEGER NOT NULL,
    rule TEXT NOT NULL,
    channel TEXT NOT NULL,
    quantity TEXT,
    unit TEXT,
    at_us INTEGER NOT NULL,
    delay_s REAL,
    u_s REAL,
    level_before REAL,
    level_after REAL,
    lasted_s REAL,
    verdict TEXT,
    reason TEXT NOT NULL,
    PRIMARY KEY (session, judgement, step, number)
) STRICT, WITHOUT ROWID;
DROP VIEW reading;
-- The number of the judgement is a part of the key.
CREATE TABLE step_new (
    id INTEGER PRIMARY KEY,
    session INTEGER NOT NULL REFERENCES session (id),
    judgement INTEGER NOT NULL DEFAULT 0,
    number INTEGER NOT NULL,
    place INTEGER,
    attempt INTEGER NOT NULL,
    name TEXT NOT NULL,
    circuit TEXT,
    instruction TEXT NOT NULL,
    channel TEXT,
    quantity TEXT,
    unit TEXT,
    limit_low REAL,
    limit_high REAL,
    limit_text TEXT,
    began_us INTEGER NOT NULL,
    ended_us INTEGER,
    left_how TEXT,
    capture INTEGER REFERENCES capture (id),
    verdict TEXT,
    reason TEXT,
    first_row INTEGER NOT NULL,
    last_row INTEGER,
    UNIQUE (session, judgement, number)
) STRICT;
INSERT INTO step_new (id, session, number, place, attempt, name, circuit, instruction, channel, quantity, unit, limit_low, limit_high, limit_text, began_us, ended_us, left_how, capture, verdict, reason, first_row, last_row)
    SELECT id, session, number, place, attempt, name, circuit, instruction, channel, quantity, unit, limit_low, limit_high, limit_text, began_us, ended_us, left_how, capture, verdict, reason, first_row, last_row FROM step;
DROP TABLE step;
ALTER TABLE step_new RENAME TO step;
CREATE TABLE figure_new (
    session INTEGER NOT NULL REFERENCES session (id),
    judgement INTEGER NOT NULL DEFAULT 0,
    step INTEGER NOT NULL,
    channel INTEGER NOT NULL REFERENCES channel (id),
    count INTEGER NOT NULL,
    beyond INTEGER NOT NULL,
    last REAL,
    mean REAL,
    deviation REAL,
    min REAL,
    max REAL,
    digit REAL,
    outside_us INTEGER NOT NULL,
    PRIMARY KEY (session, judgement, step, channel)
) STRICT, WITHOUT ROWID;
INSERT INTO figure_new (session, step, channel, count, beyond, last, mean, deviation, min, max, digit, outside_us)
    SELECT session, step, channel, count, beyond, last, mean, deviation, min, max, digit, outside_us FROM figure;
DROP TABLE figure;
ALTER TABLE figure_new RENAME TO figure;
CREATE TABLE finding_new (
    session INTEGER NOT NULL REFERENCES session (id),
    judgement INTEGER NOT NULL DEFAULT 0,
    rank INTEGER NOT NULL,
    kind TEXT NOT NULL,
    circuits TEXT NOT NULL,
    sentence TEXT NOT NULL,
    sure TEXT NOT NULL,
    weight REAL NOT NULL,
    z REAL NOT NULL,
    evidence TEXT NOT NULL,
    alternatives TEXT NOT NULL,
    next TEXT NOT NULL,
    ends_at INTEGER,
    PRIMARY KEY (session, judgement, rank)
) STRICT, WITHOUT ROWID;
INSERT INTO finding_new (session, rank, kind, circuits, sentence, sure, weight, z, evidence, alternatives, next)
    SELECT session, rank, kind, circuits, sentence, sure, weight, z, evidence, alternatives, next FROM finding;
DROP TABLE finding;
ALTER TABLE finding_new RENAME TO finding;
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
LEFT JOIN step ON step.session = session.id AND step.judgement = 0
    AND sample.rowid BETWEEN step.first_row AND COALESCE(step.last_row, 9223372036854775807);
