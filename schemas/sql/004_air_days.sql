-- Version 3 too: what a thermometer or anemometer of the site read on a day, in ten-minute means.
-- Files of this folder are applied in order, to a new and empty ledger: a released one is never edited again.

CREATE TABLE air_days (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    channel VARCHAR NOT NULL,
    place VARCHAR NOT NULL,
    day DATE NOT NULL,
    quantity VARCHAR NOT NULL,
    bins BIGINT[] NOT NULL,
    means DOUBLE[] NOT NULL,
    op VARCHAR NOT NULL
);
CREATE VIEW live_air_days AS
    SELECT a.* FROM air_days AS a
    JOIN (
        SELECT channel, day, max((run, seq)) AS newest FROM air_days GROUP BY channel, day
    ) AS n ON a.channel = n.channel AND a.day = n.day AND (a.run, a.seq) = n.newest
    WHERE a.op = 'set';
CREATE TRIGGER air_days_no_update AFTER UPDATE ON air_days FOR EACH STATEMENT
    INSERT INTO guard SELECT error('air_days is append-only');
CREATE TRIGGER air_days_no_delete AFTER DELETE ON air_days FOR EACH STATEMENT
    INSERT INTO guard SELECT error('air_days is append-only');
