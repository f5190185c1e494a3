-- The ledger: an index of the manifests, rebuildable from them, only ever added to.
-- Each table holds what the manifest table of the same name in schemas/tables.py holds, column for column.
-- No keys and no indexes: rows come from manifests alone, are checked before the commit and again by audit.
-- `error` in a trigger refuses UPDATE, DELETE and TRUNCATE; DROP is seen by audit.

CREATE TABLE guard (message VARCHAR);

-- Which manifests this file has taken in, and under which text of this schema it was made.
CREATE TABLE applied (run BIGINT NOT NULL, manifest_sha256 VARCHAR NOT NULL);
CREATE TABLE schema_stamp (sha256 VARCHAR NOT NULL);
CREATE TRIGGER applied_no_update AFTER UPDATE ON applied FOR EACH STATEMENT
    INSERT INTO guard SELECT error('applied is append-only');
CREATE TRIGGER applied_no_delete AFTER DELETE ON applied FOR EACH STATEMENT
    INSERT INTO guard SELECT error('applied is append-only');
CREATE TRIGGER schema_stamp_no_update AFTER UPDATE ON schema_stamp FOR EACH STATEMENT
    INSERT INTO guard SELECT error('schema_stamp is append-only');
CREATE TRIGGER schema_stamp_no_delete AFTER DELETE ON schema_stamp FOR EACH STATEMENT
    INSERT INTO guard SELECT error('schema_stamp is append-only');

CREATE TABLE runs (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    run_id VARCHAR NOT NULL,
    prev VARCHAR,
    started_us BIGINT NOT NULL,
    program VARCHAR NOT NULL,
    through DATE,
    horizon_us BIGINT,
    archive VARCHAR NOT NULL,
    meta VARCHAR NOT NULL
);
CREATE TRIGGER runs_no_update AFTER UPDATE ON runs FOR EACH STATEMENT
    INSERT INTO guard SELECT error('runs is append-only');
CREATE TRIGGER runs_no_delete AFTER DELETE ON runs FOR EACH STATEMENT
    INSERT INTO guard SELECT error('runs is append-only');

CREATE TABLE receipts (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    file VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    bytes BIGINT NOT NULL,
    layout VARCHAR NOT NULL,
    layout_digest VARCHAR NOT NULL,
    lines BIGINT NOT NULL,
    header BIGINT NOT NULL,
    blank BIGINT NOT NULL,
    ignored BIGINT NOT NULL,
    stored BIGINT NOT NULL,
    duplicate BIGINT NOT NULL,
    quarantined BIGINT NOT NULL,
    cells_quarantined BIGINT NOT NULL,
    first_us BIGINT,
    last_us BIGINT,
    quarantine_path VARCHAR,
    quarantine_digest VARCHAR,
    op VARCHAR NOT NULL,
    reason VARCHAR NOT NULL
);
CREATE TRIGGER receipts_no_update AFTER UPDATE ON receipts FOR EACH STATEMENT
    INSERT INTO guard SELECT error('receipts is append-only');
CREATE TRIGGER receipts_no_delete AFTER DELETE ON receipts FOR EACH STATEMENT
    INSERT INTO guard SELECT error('receipts is append-only');

CREATE TABLE parts (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    part VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    place VARCHAR NOT NULL,
    day DATE NOT NULL,
    rows BIGINT NOT NULL,
    first_us BIGINT NOT NULL,
    last_us BIGINT NOT NULL,
    digest VARCHAR NOT NULL,
    head_digest VARCHAR NOT NULL,
    tail_digest VARCHAR NOT NULL,
    channels VARCHAR[] NOT NULL,
    op VARCHAR NOT NULL,
    reason VARCHAR NOT NULL
);
CREATE TRIGGER parts_no_update AFTER UPDATE ON parts FOR EACH STATEMENT
    INSERT INTO guard SELECT error('parts is append-only');
CREATE TRIGGER parts_no_delete AFTER DELETE ON parts FOR EACH STATEMENT
    INSERT INTO guard SELECT error('parts is append-only');

CREATE TABLE flags (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    place VARCHAR NOT NULL,
    day DATE NOT NULL,
    path VARCHAR NOT NULL,
    digest VARCHAR NOT NULL,
    inputs_digest VARCHAR NOT NULL,
    op VARCHAR NOT NULL
);
CREATE TRIGGER flags_no_update AFTER UPDATE ON flags FOR EACH STATEMENT
    INSERT INTO guard SELECT error('flags is append-only');
CREATE TRIGGER flags_no_delete AFTER DELETE ON flags FOR EACH STATEMENT
    INSERT INTO guard SELECT error('flags is append-only');

CREATE TABLE sheets (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    sheet VARCHAR NOT NULL,
    path VARCHAR NOT NULL,
    digest VARCHAR NOT NULL,
    row BIGINT NOT NULL,
    place VARCHAR NOT NULL,
    channel VARCHAR NOT NULL,
    day DATE NOT NULL,
    from_us BIGINT NOT NULL,
    to_us BIGINT NOT NULL,
    inputs VARCHAR NOT NULL,
    cycles BIGINT NOT NULL,
    observed_us BIGINT NOT NULL,
    op VARCHAR NOT NULL
);
CREATE TRIGGER sheets_no_update AFTER UPDATE ON sheets FOR EACH STATEMENT
    INSERT INTO guard SELECT error('sheets is append-only');
CREATE TRIGGER sheets_no_delete AFTER DELETE ON sheets FOR EACH STATEMENT
    INSERT INTO guard SELECT error('sheets is append-only');

CREATE TABLE sheet_marks (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    sheet VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    payload VARCHAR NOT NULL
);
CREATE TRIGGER sheet_marks_no_update AFTER UPDATE ON sheet_marks FOR EACH STATEMENT
    INSERT INTO guard SELECT error('sheet_marks is append-only');
CREATE TRIGGER sheet_marks_no_delete AFTER DELETE ON sheet_marks FOR EACH STATEMENT
    INSERT INTO guard SELECT error('sheet_marks is append-only');

CREATE TABLE states (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    line VARCHAR NOT NULL,
    zone VARCHAR NOT NULL,
    day DATE NOT NULL,
    sheets VARCHAR[] NOT NULL,
    residue_kn DOUBLE[] NOT NULL,
    residue_us BIGINT[] NOT NULL,
    life_units VARCHAR NOT NULL,
    basis VARCHAR NOT NULL,
    postable BOOLEAN NOT NULL,
    op VARCHAR NOT NULL
);
CREATE TRIGGER states_no_update AFTER UPDATE ON states FOR EACH STATEMENT
    INSERT INTO guard SELECT error('states is append-only');
CREATE TRIGGER states_no_delete AFTER DELETE ON states FOR EACH STATEMENT
    INSERT INTO guard SELECT error('states is append-only');

CREATE TABLE entries (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    entry VARCHAR NOT NULL,
    line VARCHAR NOT NULL,
    zone VARCHAR NOT NULL,
    day DATE NOT NULL,
    mechanism VARCHAR NOT NULL,
    life DECIMAL(38, 30) NOT NULL,
    kind VARCHAR NOT NULL,
    reverses VARCHAR,
    reason VARCHAR NOT NULL,
    spec VARCHAR NOT NULL,
    spec_digest VARCHAR NOT NULL,
    policy_digest VARCHAR NOT NULL,
    basis VARCHAR NOT NULL,
    sheets VARCHAR[] NOT NULL
);
CREATE TRIGGER entries_no_update AFTER UPDATE ON entries FOR EACH STATEMENT
    INSERT INTO guard SELECT error('entries is append-only');
CREATE TRIGGER entries_no_delete AFTER DELETE ON entries FOR EACH STATEMENT
    INSERT INTO guard SELECT error('entries is append-only');

CREATE TABLE events (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    event VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    line VARCHAR NOT NULL,
    channel VARCHAR NOT NULL,
    place VARCHAR NOT NULL,
    from_us BIGINT NOT NULL,
    to_us BIGINT NOT NULL,
    peak_kn DOUBLE NOT NULL,
    peak_us BIGINT NOT NULL,
    peak_pct DOUBLE,
    payload VARCHAR NOT NULL,
    op VARCHAR NOT NULL,
    reason VARCHAR NOT NULL
);
CREATE TRIGGER events_no_update AFTER UPDATE ON events FOR EACH STATEMENT
    INSERT INTO guard SELECT error('events is append-only');
CREATE TRIGGER events_no_delete AFTER DELETE ON events FOR EACH STATEMENT
    INSERT INTO guard SELECT error('events is append-only');

CREATE TABLE findings (
    run BIGINT NOT NULL,
    seq BIGINT NOT NULL,
    finding VARCHAR NOT NULL,
    kind VARCHAR NOT NULL,
    subject VARCHAR NOT NULL,
    severity VARCHAR NOT NULL,
    text VARCHAR NOT NULL,
    evidence VARCHAR NOT NULL,
    scope VARCHAR NOT NULL,
    op VARCHAR NOT NULL,
    reason VARCHAR NOT NULL
);
CREATE TRIGGER findings_no_update AFTER UPDATE ON findings FOR EACH STATEMENT
    INSERT INTO guard SELECT error('findings is append-only');
CREATE TRIGGER findings_no_delete AFTER DELETE ON findings FOR EACH STATEMENT
    INSERT INTO guard SELECT error('findings is append-only');

-- What holds now. "Newest" is the largest (run, seq).

CREATE VIEW live_receipts AS
    SELECT * FROM receipts
    QUALIFY row_number() OVER (PARTITION BY sha256 ORDER BY run DESC, seq DESC) = 1;

CREATE VIEW live_parts AS
    SELECT * FROM parts
    WHERE op = 'add' AND part NOT IN (SELECT part FROM parts WHERE op = 'drop');

CREATE VIEW live_flags AS
    SELECT * FROM (
        SELECT * FROM flags
        QUALIFY row_number() OVER (PARTITION BY place, day ORDER BY run DESC, seq DESC) = 1
    ) WHERE op = 'set';

CREATE VIEW live_sheets AS
    SELECT * FROM sheets
    WHERE op = 'add' AND sheet NOT IN (SELECT sheet FROM sheets WHERE op = 'drop');

CREATE VIEW live_sheet_marks AS
    SELECT m.run, m.seq, m.sheet, s.channel, s.place, s.day, s.from_us, s.to_us, m.kind, m.payload
    FROM sheet_marks AS m JOIN live_sheets AS s ON m.sheet = s.sheet;

CREATE VIEW live_states AS
    SELECT s.* FROM states AS s
    JOIN (
        SELECT line, zone, day, max((run, seq)) AS newest FROM states GROUP BY line, zone, day
    ) AS n ON s.line = n.line AND s.zone = n.zone AND s.day = n.day AND (s.run, s.seq) = n.newest
    WHERE s.op = 'set';

CREATE VIEW live_entries AS
    SELECT * FROM entries
    WHERE kind = 'posting' AND entry NOT IN (SELECT reverses FROM entries WHERE reverses IS NOT NULL);

CREATE VIEW live_events AS
    SELECT * FROM (
        SELECT * FROM events
        QUALIFY row_number() OVER (PARTITION BY event ORDER BY run DESC, seq DESC) = 1
    ) WHERE op = 'add';

CREATE VIEW live_findings AS
    SELECT * FROM (
        SELECT * FROM findings
        QUALIFY row_number() OVER (PARTITION BY finding ORDER BY run DESC, seq DESC) = 1
    ) WHERE op = 'open';
