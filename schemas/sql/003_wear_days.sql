-- Version 3: what each day of a line's zone took besides fatigue, what is carried into the next day, and its classes.
-- Files of this folder are applied in order, to a new and empty ledger: a released one is never edited again.

CREATE TABLE wear_days (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    line VARCHAR NOT NULL,
    zone VARCHAR NOT NULL,
    day DATE NOT NULL,
    creep_units VARCHAR,
    abrasion_units VARCHAR,
    carried VARCHAR NOT NULL,
    facts VARCHAR NOT NULL,
    cycle_low BIGINT[] NOT NULL,
    cycle_high BIGINT[] NOT NULL,
    cycle_count BIGINT[] NOT NULL,
    level_class BIGINT[] NOT NULL,
    level_us BIGINT[] NOT NULL,
    op VARCHAR NOT NULL
);
CREATE VIEW live_wear_days AS
    SELECT w.* FROM wear_days AS w
    JOIN (
        SELECT line, zone, day, max((run, seq)) AS newest FROM wear_days GROUP BY line, zone, day
    ) AS n ON w.line = n.line AND w.zone = n.zone AND w.day = n.day AND (w.run, w.seq) = n.newest
    WHERE w.op = 'set';
CREATE TRIGGER wear_days_no_update AFTER UPDATE ON wear_days FOR EACH STATEMENT
    INSERT INTO guard SELECT error('wear_days is append-only');
CREATE TRIGGER wear_days_no_delete AFTER DELETE ON wear_days FOR EACH STATEMENT
    INSERT INTO guard SELECT error('wear_days is append-only');
