BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'polypward','m001_first_tables','2026-11-25 22:10:37.874321+00:00');
CREATE TABLE assignments (
            key text primary key references photos(key), specimen text, dropped integer not null
            default 0, shift_minutes integer not null default 0, at text not null);
INSERT INTO "assignments" VALUES('271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','amber',0,0,'2026-11-25T22:10:38+00:00');
CREATE TABLE audit (
            id integer primary key, at text not null, what text not null,
            subject text not null, old text, new text);
INSERT INTO "audit" VALUES(1,'2026-11-25T22:10:38+00:00','person said','271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8',NULL,'{"at":"2026-11-25T22:10:38+00:00","dropped":0,"key":"271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8","shift_minutes":0,"specimen":"amber"}');
INSERT INTO "audit" VALUES(2,'2026-11-25T22:10:38+00:00','assigned','271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','{"open":"","photographer":"","placing":"[\"no-specimen\"]","placing_detail":"","specimen":"","specimen_from":"","taken_at":"2026-05-11T08:00:00.000000+00:00","view":""}','{"open":"","photographer":"","placing":"[]","placing_detail":"","specimen":"amber","specimen_from":"assigned","taken_at":"2026-05-11T08:00:00.000000+00:00","view":""}');
CREATE TABLE cards (
            serial text primary key, card text not null, scale_x real, scale_y real,
            saved_at text not null);
CREATE TABLE care (
            id integer primary key, specimen text not null references specimens(specimen),
            at text not null, what text not null, detail text not null default '{}',
            by text not null default '', unique (specimen, at, what, detail, by));
INSERT INTO "care" VALUES(1,'amber','2026-05-05T09:00:00+00:00','dip','{}','Kim');
CREATE TABLE photos (
            key text primary key, sha256 text not null, path text not null, bytes integer,
            first_seen text not null, exif_taken_at text, decoded integer not null default 0,
            tags text not null default '[]', manifest text not null default '{}',
            flags text not null default '{}');
INSERT INTO "photos" VALUES('271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','IMG_7.jpg',51,'2026-11-25T22:10:38+00:00','2026-05-11T10:00:00+02:00',1,'[]','{}','{}');
INSERT INTO "photos" VALUES('33c8938a1279501aef756bbc96e7ef77603291cd3e68977c506160acc9a53e61','33c8938a1279501aef756bbc96e7ef77603291cd3e68977c506160acc9a53e61','amber/a.jpg',55,'2026-11-25T22:10:38+00:00','2026-05-04T10:00:00+02:00',1,'[]','{}','{}');
INSERT INTO "photos" VALUES('2f589d9dd77cbdfc874f111ffb1f224bced58d77534d5565f0ba67eea0732b77','2f589d9dd77cbdfc874f111ffb1f224bced58d77534d5565f0ba67eea0732b77','blue/a.jpg',54,'2026-11-25T22:10:38+00:00','2026-05-04T10:00:00+02:00',1,'[]','{}','{}');
CREATE TABLE print_residuals (
            serial text primary key, photos integer not null, residuals text not null);
INSERT INTO "print_residuals" VALUES('FAKE1',3,'[[1.0, 0.0, 0.0]]');
CREATE TABLE readings (
            id integer primary key, key text not null references photos(key),
            specimen text not null default '', copy_path text not null default '',
            taken_at text, specimen_from text not null default '',
            placing text not null default '[]', placing_detail text not null default '',
            light_changed integer not null default 0,
            measure_code text not null default '', notes text not null default '[]',
            detail text not null default '', card text not null default '',
            card_serial text not null default '', mm_per_px real, tilt_deg real, camera_mm real,
            height_mm real, lamp text not null default '', colour_grade text, de00_mean real,
            de00_max real, live_mm2 real, live_mm2_sd real, bare_mm2 real,
            overgrown_mm2 real, live_cover real, live_cover_sd real, L real, a real, b real,
            tile_x_mm real, tile_y_mm real, tile_mm_per_px real, tile text not null default '',
            mask text not null default '', view text not null default '',
            open text not null default '', unsure real, photographer text not null default '',
            lab_sd real, bare_lab text, perimeter_mm real, palette blob,
            correction text not null default '{}', patch_residuals blob,
            inputs text not null, measured_at text not null, unique (key, specimen));
INSERT INTO "readings" VALUES(1,'271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','amber','','2026-05-11T08:00:00.000000+00:00','assigned','[]','',0,'','[]','','frame','FAKE1',0.05,3.0,400.0,NULL,'','relative',1.5,4.0,900.0,10.0,9.99999999999999715765e+01,0.0,0.9,0.01,45.0,10.0,20.0,20.0,-1.5,0.2,'tiles/bd9da1229dca8d44-c744fd.jpg','masks/bd9da1229dca8d44-c744fd.png','','',0.05,'',1.0,NULL,120.0,X'00003442000020410000A04100006144','{"model": "linear", "white": [0.8, 0.9, 0.7]}',X'000000000000F03F00000000000000000000000000000000','{"card":"","colour_model":"linear","height_mm":null,"lamp":"","mm_per_px":null,"model":"fake-1","outline":null,"water_mm":null}','2026-11-25T22:10:38+00:00');
INSERT INTO "readings" VALUES(2,'33c8938a1279501aef756bbc96e7ef77603291cd3e68977c506160acc9a53e61','amber','','2026-05-04T08:00:00.000000+00:00','folder','[]','',0,'','[]','','frame','FAKE1',0.05,3.0,400.0,NULL,'','relative',1.5,4.0,900.0,10.0,9.99999999999999715765e+01,0.0,0.9,0.01,45.0,10.0,20.0,20.0,-1.5,0.2,'tiles/3f3b06c7050fbc2d-c744fd.jpg','masks/3f3b06c7050fbc2d-c744fd.png','','',0.05,'',1.0,NULL,120.0,X'00003442000020410000A04100006144','{"model": "linear", "white": [0.8, 0.9, 0.7]}',X'000000000000F03F00000000000000000000000000000000','{"card":"","colour_model":"linear","height_mm":null,"lamp":"","mm_per_px":null,"model":"fake-1","outline":null,"water_mm":null}','2026-11-25T22:10:38+00:00');
INSERT INTO "readings" VALUES(3,'2f589d9dd77cbdfc874f111ffb1f224bced58d77534d5565f0ba67eea0732b77','blue','','2026-05-04T08:00:00.000000+00:00','folder','[]','',0,'','[]','','frame','FAKE1',0.05,3.0,400.0,NULL,'','relative',1.5,4.0,900.0,10.0,9.99999999999999715765e+01,0.0,0.9,0.01,45.0,10.0,20.0,20.0,-1.5,0.2,'tiles/6d8e0116f9acb785-c744fd.jpg','masks/6d8e0116f9acb785-c744fd.png','','',0.05,'',1.0,NULL,120.0,X'00003442000020410000A04100006144','{"model": "linear", "white": [0.8, 0.9, 0.7]}',X'000000000000F03F00000000000000000000000000000000','{"card":"","colour_model":"linear","height_mm":null,"lamp":"","mm_per_px":null,"model":"fake-1","outline":null,"water_mm":null}','2026-11-25T22:10:38+00:00');
CREATE TABLE register_rows (
            register_key text primary key, row text not null, count integer not null);
INSERT INTO "register_rows" VALUES('specimen amber','{"arrived_on":"2026-05-01","batch":"B1","cost":40.0,"kind":"brain","place":"rack 1","supplier":"Ondriva","water_system":"lagoon"}',1);
INSERT INTO "register_rows" VALUES('specimen blue','{"arrived_on":"2026-05-01","batch":"B1","cost":30.0,"kind":"cup","place":"rack 1","supplier":"Ondriva","water_system":"lagoon"}',1);
CREATE TABLE specimens (
            specimen text primary key, batch text not null default '',
            supplier text not null default '', kind text not null default '',
            place text not null default '', water_system text not null default '',
            arrived_on text, cost real, expected_price real, as_is_price real, height_mm real,
            parent text not null default '', state text not null default 'held', left_on text,
            registered integer not null default 1, register_key text, first_named text not null);
INSERT INTO "specimens" VALUES('amber','B1','Ondriva','brain','rack 1','lagoon','2026-05-01',40.0,NULL,NULL,NULL,'','held',NULL,1,'specimen amber','2026-11-25T22:10:37+00:00');
INSERT INTO "specimens" VALUES('blue','B1','Ondriva','cup','rack 1','lagoon','2026-05-01',30.0,NULL,NULL,NULL,'','held',NULL,1,'specimen blue','2026-11-25T22:10:37+00:00');
CREATE TABLE summaries (
            specimen text primary key references specimens(specimen), summary text not null);
INSERT INTO "summaries" VALUES('amber','{"advice":"hold","flags":[{"evidence":"last photographed on 2026-05-11, 198 days ago; planned after 7 days","name":"overdue","urgent":false}],"last_seen":"2026-05-11","looks_dead":false,"next_photo_on":"2026-05-18","reason":"Fewer than three visits: too few to say how it goes."}');
INSERT INTO "summaries" VALUES('blue','{"advice":"hold","flags":[{"evidence":"last photographed on 2026-05-04, 205 days ago; planned after 7 days","name":"overdue","urgent":false}],"last_seen":"2026-05-04","looks_dead":false,"next_photo_on":"2026-05-11","reason":"Fewer than three visits: too few to say how it goes."}');
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX readings_by_specimen on readings(specimen, taken_at);
CREATE TRIGGER audit_is_kept before delete on audit
            begin select raise(abort, 'the audit is append-only'); end;
CREATE TRIGGER audit_is_not_changed before update on audit
            begin select raise(abort, 'the audit is append-only'); end;
COMMIT;
