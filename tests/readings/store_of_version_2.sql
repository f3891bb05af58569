BEGIN TRANSACTION;
CREATE TABLE batches (
	batch_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	content TEXT NOT NULL, 
	n_rows INTEGER NOT NULL, 
	stored_at TEXT NOT NULL, 
	item_id TEXT, 
	import_id INTEGER, 
	FOREIGN KEY(item_id) REFERENCES items (item_id), 
	FOREIGN KEY(import_id) REFERENCES imports (import_id)
)
 STRICT

;
INSERT INTO "batches" VALUES(1,'marks',2,'2025-03-03T09:00:14.000000Z',NULL,NULL);
INSERT INTO "batches" VALUES(2,'marks',1,'2025-03-03T09:00:21.000000Z',NULL,NULL);
INSERT INTO "batches" VALUES(3,'gradings',1,'2025-03-03T09:00:35.000000Z',NULL,1);
INSERT INTO "batches" VALUES(4,'marks',1,'2025-03-03T09:01:10.000000Z','twdyzseh',NULL);
CREATE TABLE events (
	event_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	what TEXT NOT NULL, 
	who TEXT NOT NULL, 
	subject TEXT NOT NULL, 
	stored_at TEXT NOT NULL, 
	details TEXT NOT NULL, 
	software TEXT NOT NULL
)
 STRICT

;
INSERT INTO "events" VALUES(1,'made','','','2025-03-03T09:00:07.000000Z','{}','cohortlib 0.1.0');
INSERT INTO "events" VALUES(2,'imported','PI','1','2025-03-03T09:00:28.000000Z','{"file": "gradings.csv"}','cohortlib 0.1.0');
INSERT INTO "events" VALUES(3,'worklist written','PI','1','2025-03-03T09:00:42.000000Z','{}','cohortlib 0.1.0');
INSERT INTO "events" VALUES(4,'worklist written','PI','2','2025-03-03T09:00:49.000000Z','{}','cohortlib 0.1.0');
INSERT INTO "events" VALUES(5,'item shown','R1','twdyzseh','2025-03-03T09:01:03.000000Z','{}','cohortlib 0.1.0');
INSERT INTO "events" VALUES(6,'item finished','R1','twdyzseh','2025-03-03T09:01:24.000000Z','{"duration_s": 3.0, "remark": ""}','cohortlib 0.1.0');
INSERT INTO "events" VALUES(7,'item shown','R1','s6vnq7nb','2025-03-03T09:01:38.000000Z','{}','cohortlib 0.1.0');
INSERT INTO "events" VALUES(8,'locked','PI','','2025-03-03T09:01:45.000000Z','{"history_sha256": "a096c55d0b9335a9d51539d4ba4d416163d68779f4401ad639089796dcfcb894", "n_gradings": 1, "n_marks": 2, "n_unfinished": 11, "sha256": "3b155bb2903476582ff1f3d317555cf91fc5e498f9128d5ea43553f1eb0a9ad7"}','cohortlib 0.1.0');
CREATE TABLE gradings (
	grading_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	batch_id INTEGER NOT NULL, 
	image_id TEXT NOT NULL, 
	reader_id TEXT NOT NULL, 
	repeat INTEGER NOT NULL, 
	side TEXT NOT NULL, 
	claimed_at TEXT, 
	stored_at TEXT NOT NULL, 
	duration_s REAL, 
	software TEXT NOT NULL, 
	image_sha256 TEXT, 
	supersedes INTEGER, 
	withdrawn INTEGER NOT NULL, 
	reason TEXT NOT NULL, 
	zone_system TEXT NOT NULL, 
	zone TEXT NOT NULL, 
	state TEXT, 
	width_mm REAL, 
	CONSTRAINT gradings_repeat CHECK (repeat BETWEEN 1 AND 99), 
	CONSTRAINT gradings_side CHECK (side IN ('left', 'right')), 
	CONSTRAINT gradings_duration CHECK (duration_s BETWEEN 0 AND 86400), 
	CONSTRAINT gradings_hash CHECK (length(image_sha256) = 64), 
	CONSTRAINT gradings_stored_at CHECK (length(stored_at) = 27), 
	CONSTRAINT gradings_withdrawn CHECK (withdrawn = 0 OR (withdrawn = 1 AND supersedes IS NOT NULL)), 
	CONSTRAINT gradings_whole CHECK (withdrawn = 1 OR state IS NOT NULL), 
	CONSTRAINT gradings_state CHECK (state IN ('none', 'incomplete', 'complete', 'not assessable')), 
	CONSTRAINT gradings_width CHECK (width_mm BETWEEN 0 AND 30), 
	FOREIGN KEY(batch_id) REFERENCES batches (batch_id), 
	UNIQUE (supersedes)
)
 STRICT

;
INSERT INTO "gradings" VALUES(1,3,'I08','R1',1,'left','2025-03-01T00:00:00.000000Z','2025-03-03T09:00:35.000000Z',NULL,'cohortlib 0.1.0',NULL,NULL,0,'','cup_3','1','incomplete',0.5);
CREATE TABLE imports (
	import_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	content TEXT NOT NULL, 
	file TEXT NOT NULL, 
	sha256 TEXT NOT NULL, 
	n_rows INTEGER NOT NULL, 
	who TEXT NOT NULL, 
	stored_at TEXT NOT NULL, 
	software TEXT NOT NULL
)
 STRICT

;
INSERT INTO "imports" VALUES(1,'gradings','gradings.csv','3b9c358f36f0a31b6ad3e14f309c7cf198ac9246e8316f9ce543d5b19ac02b80',1,'PI','2025-03-03T09:00:28.000000Z','cohortlib 0.1.0');
CREATE TABLE items (
	item_id TEXT NOT NULL, 
	worklist_id INTEGER NOT NULL, 
	reader_id TEXT NOT NULL, 
	session INTEGER NOT NULL, 
	place INTEGER NOT NULL, 
	image_id TEXT NOT NULL, 
	image_sha256 TEXT NOT NULL, 
	sides TEXT NOT NULL, 
	repeat INTEGER NOT NULL, 
	role TEXT NOT NULL, 
	task TEXT NOT NULL, 
	PRIMARY KEY (item_id), 
	CONSTRAINT items_sides CHECK (sides IN ('left', 'right', 'both')), 
	CONSTRAINT items_role CHECK (role IN ('first', 'repeat', 'adjudication')), 
	CONSTRAINT items_task CHECK (task IN ('marks', 'gradings', 'marks and gradings')), 
	FOREIGN KEY(worklist_id) REFERENCES worklists (worklist_id)
)
 STRICT

;
INSERT INTO "items" VALUES('twdyzseh',1,'R1',1,1,'I03','2e725f4357d26bc3aba76cc477b92a923dafa26f17ebeff149f2bb1ff67ef2e3','both',1,'first','marks');
INSERT INTO "items" VALUES('s6vnq7nb',1,'R1',1,2,'I01','f53815f462d6cff1995afab3bdb27a61dec3cb2260e6990ce3b18a9a1ec7470f','both',1,'first','marks');
INSERT INTO "items" VALUES('sj8p67ab',1,'R1',1,3,'I02','c2fac463127969f115b98178aa2d7b60b31cede232d101d8a52cb036b08edd81','both',1,'first','marks');
INSERT INTO "items" VALUES('y69spw9w',1,'R2',1,1,'I03','2e725f4357d26bc3aba76cc477b92a923dafa26f17ebeff149f2bb1ff67ef2e3','both',1,'first','marks');
INSERT INTO "items" VALUES('yscuqpzd',1,'R2',1,2,'I01','f53815f462d6cff1995afab3bdb27a61dec3cb2260e6990ce3b18a9a1ec7470f','both',1,'first','marks');
INSERT INTO "items" VALUES('cpuptbc9',1,'R2',1,3,'I02','c2fac463127969f115b98178aa2d7b60b31cede232d101d8a52cb036b08edd81','both',1,'first','marks');
INSERT INTO "items" VALUES('t624jmuy',2,'R1',1,1,'I03','2e725f4357d26bc3aba76cc477b92a923dafa26f17ebeff149f2bb1ff67ef2e3','both',1,'first','gradings');
INSERT INTO "items" VALUES('pwqc3hhb',2,'R1',1,2,'I01','f53815f462d6cff1995afab3bdb27a61dec3cb2260e6990ce3b18a9a1ec7470f','both',1,'first','gradings');
INSERT INTO "items" VALUES('xsbesw8z',2,'R1',1,3,'I02','c2fac463127969f115b98178aa2d7b60b31cede232d101d8a52cb036b08edd81','both',1,'first','gradings');
INSERT INTO "items" VALUES('asb27zru',2,'R2',1,1,'I01','f53815f462d6cff1995afab3bdb27a61dec3cb2260e6990ce3b18a9a1ec7470f','both',1,'first','gradings');
INSERT INTO "items" VALUES('avt3bhzf',2,'R2',1,2,'I03','2e725f4357d26bc3aba76cc477b92a923dafa26f17ebeff149f2bb1ff67ef2e3','both',1,'first','gradings');
INSERT INTO "items" VALUES('xszta9xe',2,'R2',1,3,'I02','c2fac463127969f115b98178aa2d7b60b31cede232d101d8a52cb036b08edd81','both',1,'first','gradings');
CREATE TABLE marks (
	mark_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	batch_id INTEGER NOT NULL, 
	image_id TEXT NOT NULL, 
	reader_id TEXT NOT NULL, 
	repeat INTEGER NOT NULL, 
	side TEXT NOT NULL, 
	claimed_at TEXT, 
	stored_at TEXT NOT NULL, 
	duration_s REAL, 
	software TEXT NOT NULL, 
	image_sha256 TEXT, 
	supersedes INTEGER, 
	withdrawn INTEGER NOT NULL, 
	reason TEXT NOT NULL, 
	landmark TEXT NOT NULL, 
	x_px REAL, 
	y_px REAL, 
	CONSTRAINT marks_repeat CHECK (repeat BETWEEN 1 AND 99), 
	CONSTRAINT marks_side CHECK (side IN ('left', 'right')), 
	CONSTRAINT marks_duration CHECK (duration_s BETWEEN 0 AND 86400), 
	CONSTRAINT marks_hash CHECK (length(image_sha256) = 64), 
	CONSTRAINT marks_stored_at CHECK (length(stored_at) = 27), 
	CONSTRAINT marks_withdrawn CHECK (withdrawn = 0 OR (withdrawn = 1 AND supersedes IS NOT NULL)), 
	CONSTRAINT marks_whole CHECK (withdrawn = 1 OR (x_px IS NOT NULL AND y_px IS NOT NULL)), 
	CONSTRAINT marks_place CHECK (x_px BETWEEN -0.5 AND 65535.5 AND y_px BETWEEN -0.5 AND 65535.5), 
	FOREIGN KEY(batch_id) REFERENCES batches (batch_id), 
	UNIQUE (supersedes)
)
 STRICT

;
INSERT INTO "marks" VALUES(1,1,'I07','R1',1,'left',NULL,'2025-03-03T09:00:14.000000Z',12.5,'cohortlib 0.1.0','f53815f462d6cff1995afab3bdb27a61dec3cb2260e6990ce3b18a9a1ec7470f',NULL,0,'','teardrop',512.25,800.0);
INSERT INTO "marks" VALUES(2,1,'I07','R1',1,'left',NULL,'2025-03-03T09:00:14.000000Z',12.5,'cohortlib 0.1.0','f53815f462d6cff1995afab3bdb27a61dec3cb2260e6990ce3b18a9a1ec7470f',NULL,0,'','teardrop',2.0,800.0);
INSERT INTO "marks" VALUES(3,2,'I07','R1',1,'left',NULL,'2025-03-03T09:00:21.000000Z',12.5,'cohortlib 0.1.0','f53815f462d6cff1995afab3bdb27a61dec3cb2260e6990ce3b18a9a1ec7470f',2,1,'taken back','teardrop',NULL,NULL);
INSERT INTO "marks" VALUES(4,4,'I03','R1',1,'left',NULL,'2025-03-03T09:01:10.000000Z',3.0,'cohortlib 0.1.0','2e725f4357d26bc3aba76cc477b92a923dafa26f17ebeff149f2bb1ff67ef2e3',NULL,0,'','teardrop',5.5,6.0);
CREATE TABLE store (
	store_id TEXT NOT NULL, 
	schema_version INTEGER NOT NULL, 
	made_at TEXT NOT NULL, 
	software TEXT NOT NULL, 
	PRIMARY KEY (store_id)
)
 STRICT

;
INSERT INTO "store" VALUES('149603e6c03516362a8da23f624db945',2,'2025-03-03T09:00:07.000000Z','cohortlib 0.1.0');
CREATE TABLE worklists (
	worklist_id INTEGER NOT NULL PRIMARY KEY AUTOINCREMENT, 
	n_items INTEGER NOT NULL, 
	washout_days REAL NOT NULL, 
	seed INTEGER NOT NULL, 
	who TEXT NOT NULL, 
	stored_at TEXT NOT NULL, 
	software TEXT NOT NULL, 
	CONSTRAINT worklists_washout CHECK (washout_days BETWEEN 0 AND 3650)
)
 STRICT

;
INSERT INTO "worklists" VALUES(1,6,0.0,1,'PI','2025-03-03T09:00:42.000000Z','cohortlib 0.1.0');
INSERT INTO "worklists" VALUES(2,6,0.0,2,'PI','2025-03-03T09:00:49.000000Z','cohortlib 0.1.0');
CREATE UNIQUE INDEX imports_once ON imports (content, sha256);
CREATE UNIQUE INDEX events_finished_once ON events (subject) WHERE what = 'item finished';
CREATE INDEX events_subject ON events (subject);
CREATE UNIQUE INDEX events_locked_once ON events (what) WHERE what = 'locked';
CREATE UNIQUE INDEX items_gradings_once ON items (reader_id, image_id, repeat) WHERE task <> 'marks';
CREATE UNIQUE INDEX items_marks_once ON items (reader_id, image_id, repeat) WHERE task <> 'gradings';
CREATE INDEX marks_reading ON marks (image_id, reader_id, repeat);
CREATE INDEX ix_marks_batch_id ON marks (batch_id);
CREATE INDEX ix_gradings_batch_id ON gradings (batch_id);
CREATE UNIQUE INDEX gradings_once ON gradings (image_id, reader_id, repeat, side, zone_system, zone) WHERE supersedes IS NULL;
CREATE TRIGGER store_no_update BEFORE UPDATE ON store BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER store_no_delete BEFORE DELETE ON store BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER imports_no_update BEFORE UPDATE ON imports BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER imports_no_delete BEFORE DELETE ON imports BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER worklists_no_update BEFORE UPDATE ON worklists BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER worklists_no_delete BEFORE DELETE ON worklists BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER items_no_update BEFORE UPDATE ON items BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER items_no_delete BEFORE DELETE ON items BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER batches_no_update BEFORE UPDATE ON batches BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER batches_no_delete BEFORE DELETE ON batches BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER marks_no_update BEFORE UPDATE ON marks BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER marks_no_delete BEFORE DELETE ON marks BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER gradings_no_update BEFORE UPDATE ON gradings BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER gradings_no_delete BEFORE DELETE ON gradings BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER events_no_update BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER events_no_delete BEFORE DELETE ON events BEGIN SELECT RAISE(ABORT, 'cohortlib: append-only'); END;
CREATE TRIGGER events_once_guard BEFORE INSERT ON events WHEN EXISTS (SELECT 1 FROM events WHERE event_id = NEW.event_id) OR EXISTS (SELECT 1 FROM events WHERE subject = NEW.subject AND what = 'item finished' AND NEW.what = 'item finished') OR EXISTS (SELECT 1 FROM events WHERE what = NEW.what AND what = 'locked' AND NEW.what = 'locked') BEGIN SELECT RAISE(ABORT, 'cohortlib: number or key taken'); END;
CREATE TRIGGER imports_locked_guard BEFORE INSERT ON imports WHEN EXISTS (SELECT 1 FROM events WHERE what = 'locked') BEGIN SELECT RAISE(ABORT, 'cohortlib: locked'); END;
CREATE TRIGGER imports_once_guard BEFORE INSERT ON imports WHEN EXISTS (SELECT 1 FROM imports WHERE import_id = NEW.import_id) OR EXISTS (SELECT 1 FROM imports WHERE content = NEW.content AND sha256 = NEW.sha256) BEGIN SELECT RAISE(ABORT, 'cohortlib: number or key taken'); END;
CREATE TRIGGER store_once_guard BEFORE INSERT ON store WHEN EXISTS (SELECT 1 FROM store WHERE store_id = NEW.store_id) BEGIN SELECT RAISE(ABORT, 'cohortlib: number or key taken'); END;
CREATE TRIGGER worklists_locked_guard BEFORE INSERT ON worklists WHEN EXISTS (SELECT 1 FROM events WHERE what = 'locked') BEGIN SELECT RAISE(ABORT, 'cohortlib: locked'); END;
CREATE TRIGGER worklists_once_guard BEFORE INSERT ON worklists WHEN EXISTS (SELECT 1 FROM worklists WHERE worklist_id = NEW.worklist_id) BEGIN SELECT RAISE(ABORT, 'cohortlib: number or key taken'); END;
CREATE TRIGGER items_locked_guard BEFORE INSERT ON items WHEN EXISTS (SELECT 1 FROM events WHERE what = 'locked') BEGIN SELECT RAISE(ABORT, 'cohortlib: locked'); END;
CREATE TRIGGER items_once_guard BEFORE INSERT ON items WHEN EXISTS (SELECT 1 FROM items WHERE item_id = NEW.item_id) OR EXISTS (SELECT 1 FROM items WHERE reader_id = NEW.reader_id AND image_id = NEW.image_id AND repeat = NEW.repeat AND task <> 'marks' AND NEW.task <> 'marks') OR EXISTS (SELECT 1 FROM items WHERE reader_id = NEW.reader_id AND image_id = NEW.image_id AND repeat = NEW.repeat AND task <> 'gradings' AND NEW.task <> 'gradings') BEGIN SELECT RAISE(ABORT, 'cohortlib: number or key taken'); END;
CREATE TRIGGER batches_locked_guard BEFORE INSERT ON batches WHEN EXISTS (SELECT 1 FROM events WHERE what = 'locked') BEGIN SELECT RAISE(ABORT, 'cohortlib: locked'); END;
CREATE TRIGGER batches_once_guard BEFORE INSERT ON batches WHEN EXISTS (SELECT 1 FROM batches WHERE batch_id = NEW.batch_id) BEGIN SELECT RAISE(ABORT, 'cohortlib: number or key taken'); END;
CREATE TRIGGER gradings_locked_guard BEFORE INSERT ON gradings WHEN EXISTS (SELECT 1 FROM events WHERE what = 'locked') BEGIN SELECT RAISE(ABORT, 'cohortlib: locked'); END;
CREATE TRIGGER gradings_same_guard BEFORE INSERT ON gradings WHEN NEW.supersedes IS NOT NULL AND NOT EXISTS (SELECT 1 FROM gradings WHERE grading_id = NEW.supersedes AND image_id = NEW.image_id AND reader_id = NEW.reader_id AND repeat = NEW.repeat AND side = NEW.side AND zone_system = NEW.zone_system AND zone = NEW.zone) BEGIN SELECT RAISE(ABORT, 'cohortlib: supersedes a foreign row'); END;
CREATE TRIGGER gradings_once_guard BEFORE INSERT ON gradings WHEN EXISTS (SELECT 1 FROM gradings WHERE grading_id = NEW.grading_id) OR EXISTS (SELECT 1 FROM gradings WHERE supersedes = NEW.supersedes) OR EXISTS (SELECT 1 FROM gradings WHERE image_id = NEW.image_id AND reader_id = NEW.reader_id AND repeat = NEW.repeat AND side = NEW.side AND zone_system = NEW.zone_system AND zone = NEW.zone AND supersedes IS NULL AND NEW.supersedes IS NULL) BEGIN SELECT RAISE(ABORT, 'cohortlib: number or key taken'); END;
CREATE TRIGGER marks_locked_guard BEFORE INSERT ON marks WHEN EXISTS (SELECT 1 FROM events WHERE what = 'locked') BEGIN SELECT RAISE(ABORT, 'cohortlib: locked'); END;
CREATE TRIGGER marks_same_guard BEFORE INSERT ON marks WHEN NEW.supersedes IS NOT NULL AND NOT EXISTS (SELECT 1 FROM marks WHERE mark_id = NEW.supersedes AND image_id = NEW.image_id AND reader_id = NEW.reader_id AND repeat = NEW.repeat) BEGIN SELECT RAISE(ABORT, 'cohortlib: supersedes a foreign row'); END;
CREATE TRIGGER marks_once_guard BEFORE INSERT ON marks WHEN EXISTS (SELECT 1 FROM marks WHERE mark_id = NEW.mark_id) OR EXISTS (SELECT 1 FROM marks WHERE supersedes = NEW.supersedes) BEGIN SELECT RAISE(ABORT, 'cohortlib: number or key taken'); END;
CREATE TRIGGER events_locked_guard BEFORE INSERT ON events WHEN NEW.what IN ('item shown', 'item finished') AND EXISTS (SELECT 1 FROM events WHERE what = 'locked') BEGIN SELECT RAISE(ABORT, 'cohortlib: locked'); END;
CREATE TRIGGER events_unblinded_guard BEFORE INSERT ON events WHEN NEW.what = 'unblinded' AND NOT EXISTS (SELECT 1 FROM events WHERE what = 'locked') BEGIN SELECT RAISE(ABORT, 'cohortlib: not locked'); END;
CREATE TRIGGER store_one_guard BEFORE INSERT ON store WHEN EXISTS (SELECT 1 FROM store) BEGIN SELECT RAISE(ABORT, 'cohortlib: number or key taken'); END;
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('events',8);
INSERT INTO "sqlite_sequence" VALUES('batches',4);
INSERT INTO "sqlite_sequence" VALUES('marks',4);
INSERT INTO "sqlite_sequence" VALUES('imports',1);
INSERT INTO "sqlite_sequence" VALUES('gradings',1);
INSERT INTO "sqlite_sequence" VALUES('worklists',2);
COMMIT;
