-- Version 3 too: what all lines of a site did together on a day.
-- Files of this folder are applied in order, to a new and empty ledger: a released one is never edited again.

CREATE TABLE berth_days (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    day DATE NOT NULL,
    inputs_digest VARCHAR NOT NULL,
    marks VARCHAR NOT NULL,
    balance VARCHAR NOT NULL,
    op VARCHAR NOT NULL
);
CREATE VIEW live_berth_days AS
    SELECT b.* FROM berth_days AS b
    JOIN (
        SELECT day, max((run, seq)) AS newest FROM berth_days GROUP BY day
    ) AS n ON b.day = n.day AND (b.run, b.seq) = n.newest
    WHERE b.op = 'set';
CREATE TRIGGER berth_days_no_update AFTER UPDATE ON berth_days FOR EACH STATEMENT
    INSERT INTO guard SELECT error('berth_days is append-only');
CREATE TRIGGER berth_days_no_delete AFTER DELETE ON berth_days FOR EACH STATEMENT
    INSERT INTO guard SELECT error('berth_days is append-only');
