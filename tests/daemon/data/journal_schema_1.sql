-- A journal of schema 1 as its own code wrote it: sqlite3's dump. The header's application_id and
-- user_version are not in it.
BEGIN TRANSACTION;
CREATE TABLE event (seq INTEGER PRIMARY KEY, at REAL NOT NULL, kind TEXT NOT NULL,
           text TEXT NOT NULL, bench TEXT, batch TEXT, who TEXT, data TEXT NOT NULL) STRICT;
INSERT INTO "event" VALUES(1,1776000000.0,'request','Ines asked: sow 0','south','TOM0','Ines','{"n":0,"\u00fc":null}');
INSERT INTO "event" VALUES(2,1776000060.0,'request','Ines asked: sow 1','south','TOM1','Ines','{"n":1,"\u00fc":null}');
INSERT INTO "event" VALUES(3,1776000120.0,'request','Ines asked: sow 2','south','TOM2','Ines','{"n":2,"\u00fc":null}');
CREATE TABLE name (n INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE) STRICT;
INSERT INTO "name" VALUES(1,'south/a');
INSERT INTO "name" VALUES(2,'ok');
INSERT INTO "name" VALUES(3,'room/wall');
INSERT INTO "name" VALUES(4,'missing');
CREATE TABLE outbox (seq INTEGER PRIMARY KEY) STRICT;
INSERT INTO "outbox" VALUES(2);
INSERT INTO "outbox" VALUES(3);
CREATE TABLE reading (tick INTEGER NOT NULL, probe INTEGER NOT NULL, value REAL,
           quality INTEGER NOT NULL, measured REAL NOT NULL,
           PRIMARY KEY (tick, probe)) STRICT, WITHOUT ROWID;
INSERT INTO "reading" VALUES(1,1,20.0,2,99.0);
INSERT INTO "reading" VALUES(1,3,NULL,4,99.0);
INSERT INTO "reading" VALUES(2,1,20.0625,2,159.0);
INSERT INTO "reading" VALUES(2,3,NULL,4,159.0);
INSERT INTO "reading" VALUES(3,1,20.125,2,219.0);
INSERT INTO "reading" VALUES(3,3,NULL,4,219.0);
CREATE TABLE request (id TEXT PRIMARY KEY, at REAL NOT NULL, kind TEXT NOT NULL,
           who TEXT, body TEXT NOT NULL, ok INTEGER NOT NULL, answer TEXT NOT NULL) STRICT;
INSERT INTO "request" VALUES('id-2',1776000000.0,'sow',NULL,'{"n":0}',1,'{"answer":0}');
INSERT INTO "request" VALUES('id-1',1776000060.0,'sow','Ines','{"n":1}',1,'{"answer":1}');
INSERT INTO "request" VALUES('id-0',1776000120.0,'sow','Ines','{"n":2}',1,'{"answer":2}');
CREATE TABLE state (one INTEGER PRIMARY KEY CHECK (one = 1), body TEXT NOT NULL,
           at REAL NOT NULL, mono REAL NOT NULL, boot TEXT NOT NULL) STRICT;
INSERT INTO "state" VALUES(1,'{"n":2}',1776000120.0,220.0,'boot-1');
CREATE TABLE tick (n INTEGER PRIMARY KEY, at REAL NOT NULL, mono REAL NOT NULL) STRICT;
INSERT INTO "tick" VALUES(1,1776000000.0,100.0);
INSERT INTO "tick" VALUES(2,1776000060.0,160.0);
INSERT INTO "tick" VALUES(3,1776000120.0,220.0);
CREATE INDEX tick_at ON tick (at);
CREATE INDEX event_at ON event (at);
CREATE INDEX event_batch ON event (batch) WHERE batch IS NOT NULL;
CREATE INDEX request_at ON request (at);
COMMIT;
