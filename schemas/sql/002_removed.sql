-- Version 2: files that were taken away by decision (`tautlog tidy`), so that nobody takes them for lost.
-- Files of this folder are applied in order, to a new and empty ledger: a released one is never edited again.

CREATE TABLE removed (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    path VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    bytes BIGINT NOT NULL,
    kind VARCHAR NOT NULL,
    superseded_run BIGINT,
    reason VARCHAR NOT NULL
);
CREATE TRIGGER removed_no_update AFTER UPDATE ON removed FOR EACH STATEMENT
    INSERT INTO guard SELECT error('removed is append-only');
CREATE TRIGGER removed_no_delete AFTER DELETE ON removed FOR EACH STATEMENT
    INSERT INTO guard SELECT error('removed is append-only');
