-- A store of schema 1 as the program wrote it then; never change it.
BEGIN TRANSACTION;
CREATE TABLE batch (id INTEGER PRIMARY KEY, number TEXT NOT NULL UNIQUE CHECK (number <> ''));
INSERT INTO "batch" VALUES(1,'11');
CREATE TABLE dose (
        master_id INTEGER NOT NULL REFERENCES master (id), material TEXT NOT NULL,
        percent REAL NOT NULL CHECK (percent BETWEEN 0 AND 100), PRIMARY KEY (master_id, material));
INSERT INTO "dose" VALUES(1,'aqua',100.0);
CREATE TABLE due (
        test_id INTEGER NOT NULL REFERENCES test (id), on_date TEXT NOT NULL, PRIMARY KEY (test_id, on_date));
INSERT INTO "due" VALUES(1,'2026-02-07');
CREATE TABLE lot (
        revision_id INTEGER NOT NULL REFERENCES revision (id), position INTEGER NOT NULL, material TEXT NOT NULL,
        lot TEXT NOT NULL, supplier TEXT NOT NULL, grams REAL NOT NULL CHECK (grams >= 0),
        stage TEXT NOT NULL CHECK (stage IN ('weighed', 'adjustment', 'thickening')), on_date TEXT NOT NULL,
        PRIMARY KEY (revision_id, position));
INSERT INTO "lot" VALUES(1,0,'aqua','W-1','Harbour waterworks',1000.0,'weighed','2026-01-08');
CREATE TABLE master (
        id INTEGER PRIMARY KEY, name TEXT NOT NULL CHECK (name <> ''), version INTEGER NOT NULL CHECK (version > 0),
        on_date TEXT NOT NULL, why TEXT NOT NULL, brief TEXT NOT NULL, currency TEXT NOT NULL,
        cost_per_kg REAL, active_percent REAL, anionic_percent REAL, amphoteric_percent REAL, nonionic_percent REAL,
        cationic_percent REAL, ph_low REAL, ph_target REAL, ph_high REAL, held_back_percent REAL NOT NULL,
        UNIQUE (name, version));
INSERT INTO "master" VALUES(1,'Quay wash',1,'2026-01-05','first','Quay wash','EUR',0.5,0.0,NULL,NULL,NULL,NULL,4.8,5.2,5.6,0.0);
CREATE TABLE observation (
        id INTEGER PRIMARY KEY, batch_id INTEGER NOT NULL REFERENCES batch (id),
        revision_id INTEGER REFERENCES revision (id), what TEXT NOT NULL CHECK (what <> ''), value REAL,
        unit TEXT NOT NULL, text TEXT NOT NULL, temperature_c REAL, photo TEXT NOT NULL,
        photo_id INTEGER REFERENCES photo (id), on_date TEXT NOT NULL);
INSERT INTO "observation" VALUES(1,1,NULL,'clarity',5.0,'judged','',NULL,'',NULL,'2026-01-09');
CREATE TABLE photo (id INTEGER PRIMARY KEY, sha256 TEXT NOT NULL UNIQUE, bytes BLOB NOT NULL);
CREATE TABLE result (
        id INTEGER PRIMARY KEY, test_id INTEGER NOT NULL REFERENCES test (id), on_date TEXT NOT NULL, value REAL,
        passed INTEGER CHECK (passed IN (0, 1)), text TEXT NOT NULL);
INSERT INTO "result" VALUES(1,1,'2026-02-07',5.1,NULL,'');
CREATE TABLE revision (
        id INTEGER PRIMARY KEY, batch_id INTEGER NOT NULL REFERENCES batch (id),
        revision INTEGER NOT NULL CHECK (revision > 0), on_date TEXT NOT NULL, file TEXT NOT NULL, text TEXT NOT NULL,
        sha256 TEXT NOT NULL, product TEXT NOT NULL, brief TEXT NOT NULL, master TEXT NOT NULL,
        planned_on TEXT NOT NULL, made_on TEXT NOT NULL, size_g REAL NOT NULL, mass_g REAL, bottles INTEGER,
        UNIQUE (batch_id, revision));
INSERT INTO "revision" VALUES(1,1,1,'2026-01-09','batch-11.toml','batch = "11"
brief = "hand-wash"
size_g = 1000
ph_low = 4.8
ph_high = 5.6

[[line]]
material = "aqua"
percent = 100

[[weighed]]
material = "aqua"
grams = 1000
lot = "W-1"
on = "2026-01-08"
','38873347c3a805573d21a61d4d5a298e28328907f9ea87b6464407a9d005887c','','hand-wash','','','2026-01-08',1000.0,NULL,NULL);
CREATE TABLE sample (
        id INTEGER PRIMARY KEY, batch_id INTEGER NOT NULL REFERENCES batch (id), on_date TEXT NOT NULL,
        place TEXT NOT NULL CHECK (place <> ''), until TEXT NOT NULL, amount_g REAL, note TEXT NOT NULL);
INSERT INTO "sample" VALUES(1,1,'2026-01-09','box 1','2028-01-09',100.0,'');
CREATE TABLE test (
        id INTEGER PRIMARY KEY, batch_id INTEGER NOT NULL REFERENCES batch (id), name TEXT NOT NULL CHECK (name <> ''),
        what TEXT NOT NULL, place TEXT NOT NULL, unit TEXT NOT NULL, low REAL, high REAL, from_date TEXT NOT NULL,
        basis TEXT NOT NULL, note TEXT NOT NULL, UNIQUE (batch_id, name));
INSERT INTO "test" VALUES(1,1,'ph-room','pH','20 to 25 degC','pH',4.8,5.6,'2026-01-08','the maker','');
CREATE INDEX lot_by_lot ON lot (lot);
CREATE INDEX observation_by_batch ON observation (batch_id);
CREATE INDEX sample_by_batch ON sample (batch_id);
PRAGMA application_id = 1413828179;
PRAGMA user_version = 1;
COMMIT;
