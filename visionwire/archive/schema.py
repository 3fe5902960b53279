"""The tables and views of a ledger, by the versions that it went through; `ledger` brings one up to the last."""

from __future__ import annotations

import unicodedata

from visionwire.archive.figures import more_as_json

#: Each entry takes the schema one version further; the first makes it.
MIGRATIONS = (
    """
    CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
    CREATE TABLE files (
        path TEXT PRIMARY KEY, sha256 TEXT, bytes INTEGER NOT NULL, problem TEXT NOT NULL,
        technician TEXT, station TEXT, aircraft TEXT, taken TEXT
    );
    CREATE TABLE readings (
        sha256 TEXT NOT NULL, settings TEXT NOT NULL, state TEXT NOT NULL, code TEXT, message TEXT, call TEXT,
        confidence REAL, probability REAL, twists_per_inch REAL, twists_per_inch_u95 REAL, pigtail_twists REAL,
        pigtail_twists_u95 REAL, scale TEXT, taken TEXT, fingerprint TEXT, record TEXT NOT NULL,
        PRIMARY KEY (sha256, settings)
    );
    CREATE TABLE dispositions (
        number INTEGER PRIMARY KEY, sha256 TEXT NOT NULL, decision TEXT NOT NULL, reason TEXT NOT NULL,
        decided_by TEXT NOT NULL, decided_at TEXT NOT NULL, previous TEXT NOT NULL, hash TEXT NOT NULL
    );
    CREATE INDEX files_by_content ON files (sha256);
    CREATE VIEW archive AS
        SELECT f.path, f.sha256, f.bytes,
            (SELECT MIN(g.path) FROM files g WHERE g.sha256 = f.sha256 AND g.path < f.path) AS copy_of,
            COALESCE(r.state, CASE WHEN f.sha256 IS NULL THEN 'unreadable' ELSE 'waiting' END) AS state,
            r.code, COALESCE(r.message, NULLIF(f.problem, '')) AS message, r.call, r.confidence, r.probability,
            r.twists_per_inch, r.twists_per_inch_u95, r.pigtail_twists, r.pigtail_twists_u95, r.scale,
            f.technician, f.station, f.aircraft, COALESCE(f.taken, r.taken) AS taken, r.fingerprint,
            (SELECT d.decision FROM dispositions d WHERE d.sha256 = f.sha256
                AND ((SELECT value FROM meta WHERE key = 'second_person') = 'no' OR EXISTS (
                    SELECT 1 FROM dispositions e WHERE e.sha256 = d.sha256 AND e.decision = d.decision
                        AND e.decided_by <> d.decided_by))
                ORDER BY d.number DESC LIMIT 1) AS decision
        FROM files f LEFT JOIN readings r ON r.sha256 = f.sha256
            AND r.settings = (SELECT value FROM meta WHERE key = 'settings');
    """,
    # Whole records stand apart and figures lie in the order of contents, so that trends of a million rows are one way
    # through two sorted tables; records are ten times as large and would be read with them.
    """
    DROP VIEW archive;
    DROP INDEX files_by_content;
    CREATE INDEX files_by_content ON files (sha256, path, technician, station, aircraft, taken);
    CREATE INDEX dispositions_by_content ON dispositions (sha256, number);
    CREATE TABLE records (
        sha256 TEXT NOT NULL, settings TEXT NOT NULL, record TEXT NOT NULL, ticks TEXT NOT NULL,
        PRIMARY KEY (sha256, settings)
    );
    INSERT INTO records SELECT sha256, settings, record, '{}' FROM readings ORDER BY sha256, settings;
    ALTER TABLE readings RENAME TO readings_1;
    CREATE TABLE readings (
        sha256 TEXT NOT NULL, settings TEXT NOT NULL, state TEXT NOT NULL, code TEXT, message TEXT, call TEXT,
        confidence REAL, probability REAL, twists_per_inch REAL, twists_per_inch_u95 REAL, pigtail_twists REAL,
        pigtail_twists_u95 REAL, scale TEXT, taken TEXT, fingerprint TEXT,
        PRIMARY KEY (sha256, settings)
    ) WITHOUT ROWID;
    INSERT INTO readings SELECT sha256, settings, state, code, message, call, confidence, probability,
        twists_per_inch, twists_per_inch_u95, pigtail_twists, pigtail_twists_u95, scale, taken, fingerprint
        FROM readings_1 ORDER BY sha256, settings;
    DROP TABLE readings_1;
    CREATE VIEW decided AS
        SELECT d.sha256, d.decision, MAX(d.number) AS number FROM dispositions d
        WHERE (SELECT value FROM meta WHERE key = 'second_person') = 'no' OR EXISTS (
            SELECT 1 FROM dispositions e WHERE e.sha256 = d.sha256 AND e.decision = d.decision
                AND e.decided_by <> d.decided_by)
        GROUP BY d.sha256;
    CREATE VIEW contents AS
        SELECT c.path, c.sha256, c.files, COALESCE(r.state, 'waiting') AS state, r.code, r.message, r.call,
            r.confidence, r.probability, r.twists_per_inch, r.twists_per_inch_u95, r.pigtail_twists,
            r.pigtail_twists_u95, r.scale, r.fingerprint, d.decision,
            c.technician, c.station, c.aircraft, COALESCE(c.taken, r.taken) AS taken
        FROM (
            SELECT sha256, MIN(path) AS path, COUNT(*) AS files, technician, station, aircraft, taken
            FROM files WHERE sha256 IS NOT NULL GROUP BY sha256
        ) c LEFT JOIN readings r ON r.sha256 = c.sha256
            AND r.settings = (SELECT value FROM meta WHERE key = 'settings')
        LEFT JOIN decided d ON d.sha256 = c.sha256;
    CREATE VIEW archive AS
        SELECT f.path, f.sha256, f.bytes,
            (SELECT MIN(g.path) FROM files g WHERE g.sha256 = f.sha256 AND g.path < f.path) AS copy_of,
            COALESCE(r.state, CASE WHEN f.sha256 IS NULL THEN 'unreadable' ELSE 'waiting' END) AS state,
            r.code, COALESCE(r.message, NULLIF(f.problem, '')) AS message, r.call, r.confidence, r.probability,
            r.twists_per_inch, r.twists_per_inch_u95, r.pigtail_twists, r.pigtail_twists_u95, r.scale,
            f.technician, f.station, f.aircraft, COALESCE(f.taken, r.taken) AS taken, r.fingerprint, d.decision
        FROM files f LEFT JOIN readings r ON r.sha256 = f.sha256
            AND r.settings = (SELECT value FROM meta WHERE key = 'settings')
        LEFT JOIN decided d ON d.sha256 = f.sha256;
    """,
    # What was decided on: a photograph read anew, by other settings or with more time, is not what a person looked at.
    # Decisions made before that was written down count for the one reading there is. The two people that a set may ask
    # for must both have seen the reading in use.
    """
    DROP VIEW archive;
    DROP VIEW contents;
    DROP VIEW decided;
    ALTER TABLE dispositions ADD COLUMN settings TEXT;
    ALTER TABLE dispositions ADD COLUMN state TEXT;
    CREATE VIEW decided AS
        SELECT l.sha256, l.decision, l.number, CASE WHEN (
                SELECT COUNT(DISTINCT e.decided_by) FROM dispositions e
                LEFT JOIN readings n ON n.sha256 = e.sha256
                    AND n.settings = (SELECT value FROM meta WHERE key = 'settings')
                WHERE e.sha256 = l.sha256 AND e.decision = l.decision AND CASE WHEN e.settings IS NULL
                    THEN (SELECT COUNT(*) FROM readings q WHERE q.sha256 = e.sha256) = (n.state IS NOT NULL)
                    ELSE e.settings = (SELECT value FROM meta WHERE key = 'settings')
                        AND e.state = COALESCE(n.state, 'waiting') END
            ) >= CASE (SELECT value FROM meta WHERE key = 'second_person') WHEN 'yes' THEN 2 ELSE 1 END
            THEN 'this reading' ELSE 'an earlier reading' END AS decided_on
        FROM (
            SELECT d.sha256, d.decision, MAX(d.number) AS number FROM dispositions d
            WHERE (SELECT value FROM meta WHERE key = 'second_person') = 'no' OR EXISTS (
                SELECT 1 FROM dispositions e WHERE e.sha256 = d.sha256 AND e.decision = d.decision
                    AND e.decided_by <> d.decided_by)
            GROUP BY d.sha256
        ) l;
    CREATE VIEW contents AS
        SELECT c.path, c.sha256, c.files, COALESCE(r.state, 'waiting') AS state, r.code, r.message, r.call,
            r.confidence, r.probability, r.twists_per_inch, r.twists_per_inch_u95, r.pigtail_twists,
            r.pigtail_twists_u95, r.scale, r.fingerprint, d.decision, d.decided_on,
            c.technician, c.station, c.aircraft, COALESCE(c.taken, r.taken) AS taken
        FROM (
            SELECT sha256, MIN(path) AS path, COUNT(*) AS files, technician, station, aircraft, taken
            FROM files WHERE sha256 IS NOT NULL GROUP BY sha256
        ) c LEFT JOIN readings r ON r.sha256 = c.sha256
            AND r.settings = (SELECT value FROM meta WHERE key = 'settings')
        LEFT JOIN decided d ON d.sha256 = c.sha256;
    CREATE VIEW archive AS
        SELECT f.path, f.sha256, f.bytes,
            (SELECT MIN(g.path) FROM files g WHERE g.sha256 = f.sha256 AND g.path < f.path) AS copy_of,
            COALESCE(r.state, CASE WHEN f.sha256 IS NULL THEN 'unreadable' ELSE 'waiting' END) AS state,
            r.code, COALESCE(r.message, NULLIF(f.problem, '')) AS message, r.call, r.confidence, r.probability,
            r.twists_per_inch, r.twists_per_inch_u95, r.pigtail_twists, r.pigtail_twists_u95, r.scale,
            f.technician, f.station, f.aircraft, COALESCE(f.taken, r.taken) AS taken, r.fingerprint, d.decision,
            d.decided_on
        FROM files f LEFT JOIN readings r ON r.sha256 = f.sha256
            AND r.settings = (SELECT value FROM meta WHERE key = 'settings')
        LEFT JOIN decided d ON d.sha256 = f.sha256;
    """,
    # What one person said, and nobody else yet, and what others said otherwise, is seen too: `said` are
    # decisions that their own maker did not take back by another one, `decided` the latest and whether it stands.
    # A person is known by `people`, however the name is written.
    """
    DROP VIEW archive;
    DROP VIEW contents;
    DROP VIEW decided;
    CREATE TABLE people (name TEXT PRIMARY KEY, person TEXT NOT NULL) WITHOUT ROWID;
    INSERT INTO people SELECT DISTINCT decided_by, person_of(decided_by) FROM dispositions;
    CREATE VIEW said AS
        SELECT d.sha256, d.number, d.decision, COALESCE(p.person, d.decided_by) AS person,
            CASE WHEN d.settings IS NULL
                THEN (SELECT COUNT(*) FROM readings q WHERE q.sha256 = d.sha256) = (n.state IS NOT NULL)
                ELSE d.settings = (SELECT value FROM meta WHERE key = 'settings')
                    AND d.state = COALESCE(n.state, 'waiting') END AS on_this
        FROM dispositions d LEFT JOIN people p ON p.name = d.decided_by
        LEFT JOIN readings n ON n.sha256 = d.sha256 AND n.settings = (SELECT value FROM meta WHERE key = 'settings')
        WHERE NOT EXISTS (
            SELECT 1 FROM dispositions e LEFT JOIN people q ON q.name = e.decided_by
            WHERE e.sha256 = d.sha256 AND e.number > d.number AND e.decision <> d.decision
                AND COALESCE(q.person, e.decided_by) = COALESCE(p.person, d.decided_by));
    CREATE VIEW decided AS
        SELECT sha256, number, CASE WHEN stands THEN decision END AS decision,
            CASE WHEN on_this >= CASE WHEN stands THEN asked ELSE 1 END
                THEN 'this reading' ELSE 'an earlier reading' END AS decided_on,
            CASE WHEN NOT stands THEN decision || CASE WHEN others THEN ', contested' ELSE ', pending' END END
                AS open_decision
        FROM (
            SELECT *, agreed >= asked AS stands FROM (
                SELECT l.sha256, l.number, l.decision,
                    CASE (SELECT value FROM meta WHERE key = 'second_person') WHEN 'yes' THEN 2 ELSE 1 END AS asked,
                    COUNT(DISTINCT CASE WHEN s.decision = l.decision THEN s.person END) AS agreed,
                    COUNT(DISTINCT CASE WHEN s.decision = l.decision AND s.on_this THEN s.person END) AS on_this,
                    MAX(s.decision <> l.decision) AS others
                FROM (SELECT sha256, decision, MAX(number) AS number FROM dispositions GROUP BY sha256) l
                JOIN said s ON s.sha256 = l.sha256 GROUP BY l.sha256
            )
        );
    CREATE VIEW contents AS
        SELECT c.path, c.sha256, c.files, COALESCE(r.state, 'waiting') AS state, r.code, r.message, r.call,
            r.confidence, r.probability, r.twists_per_inch, r.twists_per_inch_u95, r.pigtail_twists,
            r.pigtail_twists_u95, r.scale, r.fingerprint, d.decision, d.decided_on, d.open_decision,
            c.technician, c.station, c.aircraft, COALESCE(c.taken, r.taken) AS taken
        FROM (
            SELECT sha256, MIN(path) AS path, COUNT(*) AS files, technician, station, aircraft, taken
            FROM files WHERE sha256 IS NOT NULL GROUP BY sha256
        ) c LEFT JOIN readings r ON r.sha256 = c.sha256
            AND r.settings = (SELECT value FROM meta WHERE key = 'settings')
        LEFT JOIN decided d ON d.sha256 = c.sha256;
    CREATE VIEW archive AS
        SELECT f.path, f.sha256, f.bytes,
            (SELECT MIN(g.path) FROM files g WHERE g.sha256 = f.sha256 AND g.path < f.path) AS copy_of,
            COALESCE(r.state, CASE WHEN f.sha256 IS NULL THEN 'unreadable' ELSE 'waiting' END) AS state,
            r.code, COALESCE(r.message, NULLIF(f.problem, '')) AS message, r.call, r.confidence, r.probability,
            r.twists_per_inch, r.twists_per_inch_u95, r.pigtail_twists, r.pigtail_twists_u95, r.scale,
            f.technician, f.station, f.aircraft, COALESCE(f.taken, r.taken) AS taken, r.fingerprint, d.decision,
            d.decided_on, d.open_decision
        FROM files f LEFT JOIN readings r ON r.sha256 = f.sha256
            AND r.settings = (SELECT value FROM meta WHERE key = 'settings')
        LEFT JOIN decided d ON d.sha256 = f.sha256;
    """,
    # Which limit set the readings in use were made by: of ledgers that do not say, any of these readings does.
    """
    CREATE TEMP TABLE read_by AS SELECT json_extract(c.record, '$.made_by') AS made_by
        FROM readings r CROSS JOIN records c USING (sha256, settings)
        WHERE r.settings = (SELECT value FROM meta WHERE key = 'settings') AND r.state = 'reading' LIMIT 1;
    INSERT OR IGNORE INTO meta SELECT 'limits', json_extract(made_by, '$.limits') FROM read_by
        WHERE json_extract(made_by, '$.parameters.limits_sha256') IS NOT NULL;
    INSERT OR IGNORE INTO meta SELECT 'limits_sha256', json_extract(made_by, '$.parameters.limits_sha256') FROM read_by
        WHERE json_extract(made_by, '$.parameters.limits_sha256') IS NOT NULL;
    DROP TABLE read_by;
    """,
    # More of each reading in its row: what an analyst groups and filters by, and whether some inch lies outside the
    # limits of a mean that conforms, by which the work list ranks. Of readings that are there, from their records.
    """
    DROP VIEW archive;
    DROP VIEW contents;
    ALTER TABLE readings ADD COLUMN runs INTEGER;
    ALTER TABLE readings ADD COLUMN lay TEXT;
    ALTER TABLE readings ADD COLUMN length_in REAL;
    ALTER TABLE readings ADD COLUMN wire_diameter_in REAL;
    ALTER TABLE readings ADD COLUMN least_in_any_inch REAL;
    ALTER TABLE readings ADD COLUMN most_in_any_inch REAL;
    ALTER TABLE readings ADD COLUMN evenness TEXT;
    ALTER TABLE readings ADD COLUMN inch_outside TEXT;
    ALTER TABLE readings ADD COLUMN flags TEXT;
    CREATE TEMP TABLE more (sha256 TEXT, settings TEXT, told TEXT, PRIMARY KEY (sha256, settings)) WITHOUT ROWID;
    INSERT INTO more SELECT sha256, settings, more_as_json(record) FROM records;
    UPDATE readings SET
        (runs, lay, length_in, wire_diameter_in, least_in_any_inch, most_in_any_inch, evenness, inch_outside, flags)
        = (SELECT json_extract(told, '$.runs'), json_extract(told, '$.lay'), json_extract(told, '$.length_in'),
            json_extract(told, '$.wire_diameter_in'), json_extract(told, '$.least_in_any_inch'),
            json_extract(told, '$.most_in_any_inch'), json_extract(told, '$.evenness'),
            json_extract(told, '$.inch_outside'), json_extract(told, '$.flags')
            FROM more m WHERE m.sha256 = readings.sha256 AND m.settings = readings.settings)
        WHERE state = 'reading';
    DROP TABLE more;
    CREATE VIEW contents AS
        SELECT c.path, c.sha256, c.files, COALESCE(r.state, 'waiting') AS state, r.code, r.message, r.call,
            r.confidence, r.probability, r.twists_per_inch, r.twists_per_inch_u95, r.inch_outside, r.pigtail_twists,
            r.pigtail_twists_u95, r.scale, r.fingerprint, d.decision, d.decided_on, d.open_decision,
            c.technician, c.station, c.aircraft, COALESCE(c.taken, r.taken) AS taken
        FROM (
            SELECT sha256, MIN(path) AS path, COUNT(*) AS files, technician, station, aircraft, taken
            FROM files WHERE sha256 IS NOT NULL GROUP BY sha256
        ) c LEFT JOIN readings r ON r.sha256 = c.sha256
            AND r.settings = (SELECT value FROM meta WHERE key = 'settings')
        LEFT JOIN decided d ON d.sha256 = c.sha256;
    CREATE VIEW archive AS
        SELECT f.path, f.sha256, f.bytes,
            (SELECT MIN(g.path) FROM files g WHERE g.sha256 = f.sha256 AND g.path < f.path) AS copy_of,
            COALESCE(r.state, CASE WHEN f.sha256 IS NULL THEN 'unreadable' ELSE 'waiting' END) AS state,
            r.code, COALESCE(r.message, NULLIF(f.problem, '')) AS message, r.call, r.confidence, r.probability,
            r.runs, r.twists_per_inch, r.twists_per_inch_u95, r.least_in_any_inch, r.most_in_any_inch, r.evenness,
            r.inch_outside, r.lay, r.length_in, r.wire_diameter_in, r.pigtail_twists, r.pigtail_twists_u95, r.flags,
            r.scale, f.technician, f.station, f.aircraft, COALESCE(f.taken, r.taken) AS taken, r.fingerprint,
            d.decision, d.decided_on, d.open_decision, s.decided_by, s.decided_at, s.reason AS decision_reason
        FROM files f LEFT JOIN readings r ON r.sha256 = f.sha256
            AND r.settings = (SELECT value FROM meta WHERE key = 'settings')
        LEFT JOIN decided d ON d.sha256 = f.sha256
        LEFT JOIN dispositions s ON s.number = d.number;
    """,
    # A content whose wire a table told is read by settings of its own, in which that stands for the ledger's.
    """
    ALTER TABLE files ADD COLUMN wire_in REAL;
    CREATE TABLE own (sha256 TEXT PRIMARY KEY, settings TEXT NOT NULL) WITHOUT ROWID;
    DROP VIEW archive;
    DROP VIEW contents;
    DROP VIEW said;
    CREATE VIEW said AS
        SELECT d.sha256, d.number, d.decision, COALESCE(p.person, d.decided_by) AS person,
            CASE WHEN d.settings IS NULL
                THEN (SELECT COUNT(*) FROM readings q WHERE q.sha256 = d.sha256) = (n.state IS NOT NULL)
                ELSE d.settings = COALESCE((SELECT o.settings FROM own o WHERE o.sha256 = d.sha256),
                (SELECT value FROM meta WHERE key = 'settings'))
                    AND d.state = COALESCE(n.state, 'waiting') END AS on_this
        FROM dispositions d LEFT JOIN people p ON p.name = d.decided_by
        LEFT JOIN readings n ON n.sha256 = d.sha256
            AND n.settings = COALESCE((SELECT o.settings FROM own o WHERE o.sha256 = d.sha256),
                (SELECT value FROM meta WHERE key = 'settings'))
        WHERE NOT EXISTS (
            SELECT 1 FROM dispositions e LEFT JOIN people q ON q.name = e.decided_by
            WHERE e.sha256 = d.sha256 AND e.number > d.number AND e.decision <> d.decision
                AND COALESCE(q.person, e.decided_by) = COALESCE(p.person, d.decided_by));
    CREATE VIEW contents AS
        SELECT c.path, c.sha256, c.files, COALESCE(r.state, 'waiting') AS state, r.code, r.message, r.call,
            r.confidence, r.probability, r.twists_per_inch, r.twists_per_inch_u95, r.inch_outside, r.pigtail_twists,
            r.pigtail_twists_u95, r.scale, r.fingerprint, d.decision, d.decided_on, d.open_decision,
            c.technician, c.station, c.aircraft, COALESCE(c.taken, r.taken) AS taken
        FROM (
            SELECT sha256, MIN(path) AS path, COUNT(*) AS files, technician, station, aircraft, taken
            FROM files WHERE sha256 IS NOT NULL GROUP BY sha256
        ) c LEFT JOIN readings r ON r.sha256 = c.sha256
            AND r.settings = COALESCE((SELECT o.settings FROM own o WHERE o.sha256 = c.sha256),
                (SELECT value FROM meta WHERE key = 'settings'))
        LEFT JOIN decided d ON d.sha256 = c.sha256;
    CREATE VIEW archive AS
        SELECT f.path, f.sha256, f.bytes,
            (SELECT MIN(g.path) FROM files g WHERE g.sha256 = f.sha256 AND g.path < f.path) AS copy_of,
            COALESCE(r.state, CASE WHEN f.sha256 IS NULL THEN 'unreadable' ELSE 'waiting' END) AS state,
            r.code, COALESCE(r.message, NULLIF(f.problem, '')) AS message, r.call, r.confidence, r.probability,
            r.runs, r.twists_per_inch, r.twists_per_inch_u95, r.least_in_any_inch, r.most_in_any_inch, r.evenness,
            r.inch_outside, r.lay, r.length_in, r.wire_diameter_in, r.pigtail_twists, r.pigtail_twists_u95, r.flags,
            r.scale, f.wire_in, f.technician, f.station, f.aircraft, COALESCE(f.taken, r.taken) AS taken, r.fingerprint,
            d.decision, d.decided_on, d.open_decision, s.decided_by, s.decided_at, s.reason AS decision_reason
        FROM files f LEFT JOIN readings r ON r.sha256 = f.sha256
            AND r.settings = COALESCE((SELECT o.settings FROM own o WHERE o.sha256 = f.sha256),
                (SELECT value FROM meta WHERE key = 'settings'))
        LEFT JOIN decided d ON d.sha256 = f.sha256
        LEFT JOIN dispositions s ON s.number = d.number;
    """,
    # What a file held before, if that was read or decided on: the file's row has its content of now alone, and a
    # decision has a content and no path. `decisions` is how many there were when the file was found to hold something
    # else, or not to be had: only one made later, on what it holds now, was made on that in its place.
    """
    CREATE TABLE earlier (
        number INTEGER PRIMARY KEY, path TEXT NOT NULL, sha256 TEXT NOT NULL, decisions INTEGER NOT NULL,
        UNIQUE (path, sha256)
    );
    CREATE VIEW replaced AS
        SELECT f.path, MAX(d.number) AS number
        FROM earlier e CROSS JOIN files f ON f.path = e.path
        JOIN dispositions d ON d.sha256 = e.sha256 AND d.number <= e.decisions
        WHERE f.sha256 <> e.sha256 AND NOT EXISTS (
            SELECT 1 FROM dispositions n WHERE n.sha256 = f.sha256 AND n.number > e.decisions)
        GROUP BY f.path;
    """,
    # By which file of a content a person decided on it: copies, and what came in its place, have other names.
    """
    ALTER TABLE dispositions ADD COLUMN path TEXT;
    """,
)


def person_of(name: str) -> str:
    """Return the name that one person has however it is written: its small letters and figures, without accents.

    Two people who would have one name so are taken for one: a lone decision must not stand by a way of writing.
    """
    letters = unicodedata.normalize("NFKD", name.casefold())
    return "".join(one for one in letters if unicodedata.category(one)[0] not in "PSZCM")


#: What migrations call, by name; no view needs them.
FUNCTIONS = {"person_of": person_of, "more_as_json": more_as_json}
