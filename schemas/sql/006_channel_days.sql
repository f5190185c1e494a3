-- Version 3 too: what each tension channel showed of itself on a day: zero checks, and when it bore a load.
-- Files of this folder are applied in order, to a new and empty ledger: a released one is never edited again.

CREATE TABLE channel_days (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    channel VARCHAR NOT NULL,
    place VARCHAR NOT NULL,
    day DATE NOT NULL,
    facts VARCHAR NOT NULL,
    op VARCHAR NOT NULL
);
CREATE VIEW live_channel_days AS
    SELECT c.* FROM channel_days AS c
    JOIN (
        SELECT channel, day, max((run, seq)) AS newest FROM channel_days GROUP BY channel, day
    ) AS n ON c.channel = n.channel AND c.day = n.day AND (c.run, c.seq) = n.newest
    WHERE c.op = 'set';
CREATE TRIGGER channel_days_no_update AFTER UPDATE ON channel_days FOR EACH STATEMENT
    INSERT INTO guard SELECT error('channel_days is append-only');
CREATE TRIGGER channel_days_no_delete AFTER DELETE ON channel_days FOR EACH STATEMENT
    INSERT INTO guard SELECT error('channel_days is append-only');
