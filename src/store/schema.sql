-- bayline's database, version 7. Any SQLite tool can read it.
--
-- Times called *_us are whole microseconds since the session began. Absolute times are UTC.
-- Nothing refers to a row of another session.

CREATE TABLE session (
    id              INTEGER PRIMARY KEY,  -- number on this database; `bayline show 3` means it
    uuid            TEXT NOT NULL UNIQUE, -- identity for ever, UUID version 7
    began_utc       TEXT NOT NULL,        -- when it began, RFC 3339 UTC, by the computer's clock
    began_utc_us    INTEGER NOT NULL,     -- the same, microseconds since 1970-01-01T00:00:00Z
    ended_us        INTEGER,              -- when it ended; NULL while it is open
    ended_how       TEXT,                 -- ended, stopped, replaced, interrupted; NULL while it is open
    continues       TEXT,                 -- uuid of the session that it goes on with; NULL for one that stands alone
    retests         TEXT,                 -- uuid of the session whose steps it does again after the work; NULL where it is none
    machine         TEXT NOT NULL,        -- the machine in the operator's words; empty where not given
    job             TEXT NOT NULL,        -- the job in the operator's words; empty where not given
    vin             TEXT NOT NULL DEFAULT '', -- vehicle identification or serial number; empty where not given
    counter         TEXT NOT NULL DEFAULT '', -- odometer or hour meter as read; empty where not given
    complaint       TEXT NOT NULL DEFAULT '', -- what the customer complains of; empty where not given
    ambient_c       REAL,                 -- temperature of the place, °C; NULL where not given
    part_c          REAL,                 -- temperature of the part under test, °C; NULL where not given
    machine_state   TEXT,                 -- how warm the machine is: cold, warm or hot; NULL where not given
    procedure_title TEXT,                 -- what was going to be done; NULL when free-running
    procedure_text  TEXT,                 -- the procedure file as it was; NULL when free-running
    bench_text      TEXT NOT NULL,        -- the bench file as it was; empty without one
    program         TEXT NOT NULL,        -- the version of bayline that recorded it
    first_row       INTEGER NOT NULL,     -- rowid of its first sample
    last_row        INTEGER,              -- rowid of its last sample; first_row - 1 when it has none; NULL while it is open
    judgement       INTEGER NOT NULL DEFAULT 0 -- the judgement in force: judgement.number, 0 for the first record
) STRICT;

CREATE TABLE channel (
    id              INTEGER PRIMARY KEY,  -- number on this database
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    name            TEXT NOT NULL,        -- named place in the circuit
    quantity        TEXT NOT NULL,        -- what was measured there: V DC, A DC, ohm ...; a channel whose meter is switched has a row for each
    unit            TEXT NOT NULL,        -- unit of its values: V, A, ohm, Hz, s, °C, %, W, F, Pa, km/h, rpm, deg, 1
    meter           TEXT NOT NULL,        -- the meter that feeds it
    reads           TEXT NOT NULL,        -- which value of the meter's frame it is
    scale           TEXT NOT NULL,        -- clamp or divider as written in the bench file; empty without one
    accuracy        TEXT NOT NULL,        -- accuracy as written in the bench file; empty without one
    UNIQUE (session, name, quantity)
) STRICT;

CREATE TABLE step (
    id              INTEGER PRIMARY KEY,  -- number on this database
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    judgement       INTEGER NOT NULL DEFAULT 0, -- judgement.number; 0 for the first record
    number          INTEGER NOT NULL,     -- counted from 1 over the session
    place           INTEGER,              -- place in the procedure, counted from 1; NULL when free-running
    attempt         INTEGER NOT NULL,     -- which time this step is done, counted from 1
    name            TEXT NOT NULL,        -- what it is called
    circuit         TEXT,                 -- the coil, feed or ground it belongs to; NULL where not given
    instruction     TEXT NOT NULL,        -- what the operator was told to do; empty where nothing
    channel         TEXT,                 -- name of the channel it looks at; NULL where none
    quantity        TEXT,                 -- what the meter had to be switched to; NULL where anything
    unit            TEXT,                 -- unit of limit_low and limit_high; NULL without a limit
    limit_low       REAL,                 -- least value that is in limit, in unit; NULL where none
    limit_high      REAL,                 -- greatest value that is in limit, in unit; NULL where none
    limit_text      TEXT,                 -- the limit as written, where it refers to other values or is an answer; NULL otherwise
    began_us        INTEGER NOT NULL,     -- when it began
    ended_us        INTEGER,              -- when it was left; NULL while it is on
    left_how        TEXT,                 -- done, back, again, skipped, undone (by the operator), time up, session ended, interrupted; NULL while it is on
    capture         INTEGER REFERENCES capture (id), -- the capture it was judged on; NULL where none
    verdict         TEXT,                 -- in limit, out of limit, too close to call, no reading ...; NULL where nothing was judged
    reason          TEXT,                 -- the verdict's reason in one sentence; NULL without a verdict
    first_row       INTEGER NOT NULL,     -- rowid of its first sample
    last_row        INTEGER,              -- rowid of its last sample; first_row - 1 when it has none; NULL while it is on
    UNIQUE (session, judgement, number)
) STRICT;

CREATE TABLE capture (
    id              INTEGER PRIMARY KEY,  -- number on this database
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    judgement       INTEGER NOT NULL DEFAULT 0, -- judgement.number; 0 for the first record
    step            INTEGER,              -- step.number in this session; NULL where no step was on
    how             TEXT NOT NULL,        -- taken: by the operator; steady: by itself; last: as the step was left; worst: of the whole step; proven: by touches of the leads
    at_us           INTEGER NOT NULL,     -- when the value was measured
    channel         TEXT,                 -- channel.name; NULL where nothing was measured
    quantity        TEXT,                 -- what was measured; NULL where nothing was
    unit            TEXT,                 -- unit of value, u and limits; NULL where nothing was measured
    value           REAL,                 -- the value in unit; NULL where there is none or it was beyond the range
    beyond          INTEGER,              -- 1 beyond the meter's range, -1 beyond it downwards, NULL otherwise
    measured        REAL,                 -- what the meter showed, in unit, where value is that corrected for heat; NULL otherwise
    measured_u      REAL,                 -- standard uncertainty of what the meter showed, in unit, where u holds more than that; NULL otherwise
    digit           REAL,                 -- what the last digit that the meter showed is worth, in unit; NULL where not known
    answer          TEXT,                 -- yes or no, where a question was asked; NULL otherwise
    deviation       REAL,                 -- sample standard deviation of the readings it is the mean of, in unit; NULL for one reading
    readings        INTEGER,              -- how many readings it is the mean of; NULL for one
    peak            REAL,                 -- worst value under load, before it settled too, in unit; NULL where none
    conformity      REAL,                 -- probability that the true value keeps to the limit (JCGM 106), 0 to 1; NULL where unknown
    u               REAL,                 -- standard uncertainty in unit (JCGM 100); NULL where unknown
    limit_low       REAL,                 -- least value that is in limit, in unit; NULL where none
    limit_high      REAL,                 -- greatest value that is in limit, in unit; NULL where none
    verdict         TEXT,                 -- NULL where there is no limit
    reason          TEXT NOT NULL,        -- one sentence
    proof           TEXT NOT NULL DEFAULT '', -- by which touches of the leads it was proven, a line each with value and time; empty where it needs no proof
    flags           TEXT NOT NULL DEFAULT ''  -- reversed clamp, unproven plateau, doubted zero drop, ghost volts, not proven, a line each; empty for none
) STRICT;

CREATE TABLE figure (
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    judgement       INTEGER NOT NULL DEFAULT 0, -- judgement.number; 0 for the first record
    step            INTEGER NOT NULL,     -- step.number in this session
    channel         INTEGER NOT NULL REFERENCES channel (id), -- channel.id
    count           INTEGER NOT NULL,     -- numbers among the samples
    beyond          INTEGER NOT NULL,     -- samples beyond the meter's range
    last            REAL,                 -- the last number, in the channel's unit; NULL where count is 0
    mean            REAL,                 -- mean, in the channel's unit; NULL where count is 0
    deviation       REAL,                 -- sample standard deviation, in the channel's unit; NULL where count is below 2
    min             REAL,                 -- least, in the channel's unit; NULL where count is 0
    max             REAL,                 -- greatest, in the channel's unit; NULL where count is 0
    digit           REAL,                 -- what the last digit of the numbers is worth, in the channel's unit; NULL where not known
    outside_us      INTEGER NOT NULL,     -- how long it was out of the step's limit, microseconds
    PRIMARY KEY (session, judgement, step, channel)
) STRICT, WITHOUT ROWID;

CREATE TABLE excursion (
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    judgement       INTEGER NOT NULL DEFAULT 0, -- judgement.number; 0 for the first record
    step            INTEGER NOT NULL,     -- step.number in this session
    number          INTEGER NOT NULL,     -- counted from 1 over the step
    channel         TEXT NOT NULL,        -- channel.name
    quantity        TEXT NOT NULL,        -- what was measured
    unit            TEXT NOT NULL,        -- unit of worst and limits
    began_us        INTEGER NOT NULL,     -- the first sample out of limit
    ended_us        INTEGER,              -- the first sample that was not; NULL while it lasts
    worst           REAL,                 -- the value farthest out of limit, in unit; NULL when beyond the meter's range
    beyond          INTEGER,              -- 1 beyond the meter's range, -1 beyond it downwards, NULL otherwise
    worst_us        INTEGER NOT NULL,     -- when that was
    limit_low       REAL,                 -- least value that is in limit, in unit; NULL where none
    limit_high      REAL,                 -- greatest value that is in limit, in unit; NULL where none
    shown           TEXT NOT NULL,        -- what the other channels showed at the worst, a line each
    PRIMARY KEY (session, judgement, step, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE dropout (
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    judgement       INTEGER NOT NULL DEFAULT 0, -- judgement.number; 0 for the first record
    step            INTEGER NOT NULL,     -- step.number in this session
    number          INTEGER NOT NULL,     -- counted from 1 over the step; channels that fell together have one number
    channel         TEXT NOT NULL,        -- channel.name
    quantity        TEXT NOT NULL,        -- what was measured
    unit            TEXT NOT NULL,        -- unit of level and least
    began_us        INTEGER NOT NULL,     -- the first sample that had fallen
    ended_us        INTEGER NOT NULL,     -- the first sample that was back
    level           REAL NOT NULL,        -- what it fell from, in unit
    least           REAL NOT NULL,        -- the least that was seen, in unit
    samples         INTEGER NOT NULL,     -- samples that had fallen
    PRIMARY KEY (session, judgement, step, number, channel)
) STRICT, WITHOUT ROWID;

CREATE TABLE change (
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    judgement       INTEGER NOT NULL DEFAULT 0, -- judgement.number; 0 for the first record
    step            INTEGER NOT NULL,     -- step.number in this session
    number          INTEGER NOT NULL,     -- counted from 1 over the step
    channel         TEXT NOT NULL,        -- channel.name
    quantity        TEXT NOT NULL,        -- what was measured
    unit            TEXT NOT NULL,        -- unit of the levels
    at_us           INTEGER NOT NULL,     -- when it was halfway
    level_before    REAL NOT NULL,        -- the level before, in unit
    level_after     REAL NOT NULL,        -- the level after, in unit
    lasted_us       INTEGER NOT NULL,     -- from 10 % to 90 % of the way, microseconds
    interval_us     INTEGER NOT NULL,     -- between two samples then, microseconds
    PRIMARY KEY (session, judgement, step, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE response (
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    judgement       INTEGER NOT NULL DEFAULT 0, -- judgement.number; 0 for the first record
    step            INTEGER NOT NULL,     -- step.number in this session
    number          INTEGER NOT NULL,     -- counted from 1 over the step
    rule            TEXT NOT NULL,        -- which rule of the step, in words
    channel         TEXT NOT NULL,        -- channel.name of the channel that was to respond
    quantity        TEXT,                 -- what was measured; NULL where it showed nothing
    unit            TEXT,                 -- unit of the levels; NULL where it showed nothing
    at_us           INTEGER NOT NULL,     -- when the mark or the change was that it follows
    delay_s         REAL,                 -- how long after it the channel was halfway, seconds; NULL where it did not move
    u_s             REAL,                 -- standard uncertainty of the delay, seconds; NULL where it did not move
    level_before    REAL,                 -- the level before, in unit; NULL where it did not move
    level_after     REAL,                 -- the level after, in unit; NULL where it did not move
    lasted_s        REAL,                 -- from 10 % to 90 % of the way, seconds; NULL where it did not move
    verdict         TEXT,                 -- in limit, out of limit, too close to call ...
    reason          TEXT NOT NULL,        -- one sentence
    PRIMARY KEY (session, judgement, step, number)
) STRICT, WITHOUT ROWID;

CREATE TABLE waveform (
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    judgement       INTEGER NOT NULL DEFAULT 0, -- judgement.number; 0 for the first record
    step            INTEGER NOT NULL,     -- step.number in this session
    channel         TEXT NOT NULL,        -- channel.name
    quantity        TEXT NOT NULL,        -- what was measured: V DC or A DC
    unit            TEXT NOT NULL,        -- unit of all values but those of time
    shape           TEXT NOT NULL,        -- steady, switched, changing, or not known where samples came too slowly to see it switch
    rate_hz         REAL NOT NULL,        -- samples a second
    samples         INTEGER NOT NULL,     -- samples it rests on
    least           REAL NOT NULL,        -- the least of them, in unit
    greatest        REAL NOT NULL,        -- the greatest of them, in unit
    mean            REAL NOT NULL,        -- their mean, in unit
    rms             REAL,                 -- root of their mean square, in unit; NULL where samples are too slow for it
    low_level       REAL,                 -- mean of those near the low level, in unit; NULL where it does not switch
    high_level      REAL,                 -- mean of those near the high level, in unit; NULL where it does not switch
    frequency_hz    REAL,                 -- how often it repeats; NULL where it does not, or samples are too slow to tell
    frequency_u     REAL,                 -- standard uncertainty of frequency_hz
    duty            REAL,                 -- share of the time at the high level, %; NULL like frequency_hz
    duty_u          REAL,                 -- standard uncertainty of duty, %
    ripple_rms      REAL,                 -- standard deviation about the trend, in unit; NULL where not asked or samples are too slow
    ripple_pp       REAL,                 -- peak-to-peak about the trend, in unit; NULL like ripple_rms
    switch_ons      INTEGER,              -- how often it was switched on; NULL where that was not looked at
    peak            REAL,                 -- the greatest as it was switched on, in unit; NULL where none or samples are too slow
    hold            REAL,                 -- what it settled at then, in unit; NULL where none
    time_constant_s REAL,                 -- time constant of the rise, seconds; NULL where none could be fitted
    time_constant_u REAL,                 -- standard uncertainty of time_constant_s, seconds
    PRIMARY KEY (session, judgement, step, channel, quantity)
) STRICT, WITHOUT ROWID;

CREATE TABLE event (
    id              INTEGER PRIMARY KEY,  -- number on this database
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    at_us           INTEGER NOT NULL,     -- when
    kind            TEXT NOT NULL,        -- note, mark, announced (to the operator), meter found, meter lost, meter silent, identity (what a meter says of itself), bad frame, missing value, samples lost, database, not running (bayline itself), board restarted, zeroed, corrected (what was told of the visit), undone (the act of the operator before it), photo, meter not suited (for a step)
    subject         TEXT NOT NULL,        -- the meter, channel or step it concerns; of a mark, who made it; empty where none
    text            TEXT NOT NULL         -- one sentence, or what the operator said
) STRICT;

CREATE TABLE correction (
    id              INTEGER PRIMARY KEY,  -- number on this database
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    at_us           INTEGER NOT NULL,     -- when it was made
    made_by         TEXT NOT NULL,        -- who made it; empty where not told
    field           TEXT NOT NULL,        -- what was corrected: a column of session, which has the new value; mark text, mark time, mark deleted, step (which it was), step begin, step deleted, capture (which belongs to another step), void (a capture), good (the machine)
    subject         TEXT NOT NULL DEFAULT '', -- which mark or step, by its number; empty for the visit
    value_before    TEXT NOT NULL,        -- as it was
    value_after     TEXT NOT NULL,        -- as it is right
    undone_us       INTEGER,              -- when it was undone; NULL while it is in force
    undone_by       TEXT                  -- who undid it; NULL while it is in force
) STRICT;

CREATE TABLE photo (
    id              INTEGER PRIMARY KEY,  -- number on this database
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    at_us           INTEGER NOT NULL,     -- when it came
    hash            TEXT NOT NULL,        -- SHA-256 of its file, which is photos/HASH.jpg beside the database
    width           INTEGER NOT NULL,     -- pixels
    height          INTEGER NOT NULL,     -- pixels
    bytes           INTEGER NOT NULL,     -- size of its file
    text            TEXT NOT NULL,        -- what it shows; empty where not told
    undone_us       INTEGER               -- when it was undone; NULL while it counts
) STRICT;

CREATE TABLE anchor (
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    at_us           INTEGER NOT NULL,     -- when
    utc_us          INTEGER NOT NULL,     -- what the computer's clock said then, microseconds since 1970-01-01T00:00:00Z
    PRIMARY KEY (session, at_us)
) STRICT, WITHOUT ROWID;

CREATE TABLE zero (
    id              INTEGER PRIMARY KEY,  -- number on this database
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    at_us           INTEGER NOT NULL,     -- when; 0 for one of before, in use as the session began
    channel         TEXT,                 -- channel.name
    quantity        TEXT NOT NULL,        -- what was measured
    unit            TEXT NOT NULL,        -- unit of value, drift and u
    value           REAL NOT NULL,        -- taken off every later sample of the channel in this session, in unit
    drift           REAL,                 -- how far it is from the zero before, in unit; NULL for the first
    u               REAL NOT NULL         -- its standard uncertainty, in unit
) STRICT;

CREATE TABLE finding (
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    judgement       INTEGER NOT NULL DEFAULT 0, -- judgement.number; 0 for the first record
    rank            INTEGER NOT NULL,     -- counted from 1: the best explained first
    kind            TEXT NOT NULL,        -- no fault found, open circuit, high resistance, feed side ...
    circuits        TEXT NOT NULL,        -- where, parted by line feeds; empty for what all share
    sentence        TEXT NOT NULL,        -- what is wrong and where
    sure            TEXT NOT NULL,        -- certain, likely or possible
    weight          REAL NOT NULL,        -- its weight among all explanations that were tried, 0 to 1
    z               REAL NOT NULL,        -- by how many standard deviations the captures speak for it
    evidence        TEXT NOT NULL,        -- what speaks for it, a sentence a line
    alternatives    TEXT NOT NULL,        -- what else would explain it, a sentence a line
    next            TEXT NOT NULL,        -- what to measure next
    ends_at         INTEGER,              -- step.number whose capture is the last that it rests on; NULL where that is of the session continued
    calibration     INTEGER,              -- version of the calibration that made a probability of weight; NULL before version 6
    PRIMARY KEY (session, judgement, rank)
) STRICT, WITHOUT ROWID;

-- What entered the core beside the samples, as far as a judgement depends on it, in order: from it and the samples the session
-- is judged again.
CREATE TABLE input (
    id              INTEGER PRIMARY KEY,  -- number on this database
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    at_us           INTEGER NOT NULL,     -- when
    next_row        INTEGER NOT NULL,     -- rowid of the first sample that came after it
    kind            TEXT NOT NULL,        -- bench (as the session began), channel, meter lost, step, take, answer, mark, zero, tick
    content         TEXT NOT NULL         -- what came, as JSON; empty where the kind says all
) STRICT;

-- Judgements beside the first record, which has number 0. Their rows stand in step, capture, figure and finding.
CREATE TABLE judgement (
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    number          INTEGER NOT NULL,     -- counted from 1 over the session
    at_us           INTEGER NOT NULL,     -- when it was made
    made_by         TEXT NOT NULL,        -- who made it; empty where not told
    procedure_title TEXT,                 -- what it was judged by; NULL when free-running
    procedure_text  TEXT,                 -- the procedure file that it was judged by, where it is another one; NULL otherwise
    corrections     INTEGER NOT NULL,     -- how many corrections it takes into account
    program         TEXT NOT NULL,        -- the version of bayline that made it
    PRIMARY KEY (session, number)
) STRICT, WITHOUT ROWID;

-- Rows are in the order of arrival; sessions and steps keep their first and last rowid.
CREATE TABLE sample (
    time_us         INTEGER NOT NULL,     -- when it was measured
    channel         INTEGER NOT NULL,     -- channel.id
    value           REAL,                 -- in the channel's unit; NULL when beyond the meter's range
    place           INTEGER,              -- the meter's last digit was worth 10^place of the unit it showed; NULL where unknown
    state           INTEGER,              -- NULL for nothing special, else a sum: 1 held, 2 relative, 4 minimum, 8 maximum, 16 low battery,
                                          -- 32 auto range, 64 mean, 128 peak, 65536 beyond the range, 131072 beyond it downwards
    verdict         INTEGER               -- against the step's limit: 0 in limit, 1 out of limit, 2 too close to call, 3 no load current, 4 not settled,
                                          -- 5 wrong function, 6 held display, 7 no reading, 8 no reference; NULL where there is nothing to judge by
) STRICT;

CREATE TABLE rollup (
    channel         INTEGER NOT NULL REFERENCES channel (id), -- channel.id
    width_us        INTEGER NOT NULL,     -- how long the interval is: 15625, 125000 (of both only those with 16 samples or more), 1000000, 8000000, ...
    start_us        INTEGER NOT NULL,     -- when it begins, a multiple of width_us
    count           INTEGER NOT NULL,     -- samples in it
    beyond          INTEGER NOT NULL,     -- of them, those beyond the meter's range
    first_us        INTEGER NOT NULL,     -- when the first was
    first           REAL,                 -- the first, in the channel's unit; NULL when beyond the range
    last_us         INTEGER NOT NULL,     -- when the last was
    last            REAL,                 -- the last, in the channel's unit; NULL when beyond the range
    least_us        INTEGER,              -- when the least was; NULL where all are beyond the range
    least           REAL,                 -- the least, in the channel's unit; NULL where all are beyond the range
    greatest_us     INTEGER,              -- when the greatest was; NULL where all are beyond the range
    greatest        REAL,                 -- the greatest, in the channel's unit; NULL where all are beyond the range
    mean            REAL,                 -- mean of the numbers, in the channel's unit; NULL where all are beyond the range
    first_row       INTEGER NOT NULL,     -- the lowest rowid of its samples
    last_row        INTEGER NOT NULL,     -- the highest; rows of other channels lie between
    PRIMARY KEY (channel, width_us, start_us)
) STRICT, WITHOUT ROWID;

-- By these a copy of the samples is proved: a hash for each 65,536 of a session, written as they came. The rest has none yet.
CREATE TABLE sample_hash (
    session         INTEGER NOT NULL REFERENCES session (id), -- session.id
    block           INTEGER NOT NULL,     -- counted from 0 over the session
    last_row        INTEGER NOT NULL,     -- rowid of its last sample
    sha256          TEXT NOT NULL,        -- of time, channel, value and verdict of its samples; src/store/sample_hash.rs has the form
    PRIMARY KEY (session, block)
) STRICT, WITHOUT ROWID;

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
