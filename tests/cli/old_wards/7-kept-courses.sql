BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'polypward','m001_first_tables','2026-11-25 23:32:02.780484+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'polypward','m002_life','2026-11-25 23:32:03.098051+00:00');
INSERT INTO "_sqlite_migrations" VALUES(3,'polypward','m003_claims','2026-11-25 23:32:03.318055+00:00');
INSERT INTO "_sqlite_migrations" VALUES(4,'polypward','m004_water','2026-11-25 23:32:03.390320+00:00');
INSERT INTO "_sqlite_migrations" VALUES(5,'polypward','m005_care','2026-11-25 23:32:03.510963+00:00');
INSERT INTO "_sqlite_migrations" VALUES(6,'polypward','m006_phone','2026-11-25 23:32:03.646227+00:00');
INSERT INTO "_sqlite_migrations" VALUES(7,'polypward','m007_teach','2026-11-25 23:32:03.727279+00:00');
INSERT INTO "_sqlite_migrations" VALUES(8,'polypward','m008_course','2026-11-25 23:32:03.878167+00:00');
INSERT INTO "_sqlite_migrations" VALUES(9,'polypward','m009_made_even','2026-11-25 23:32:03.950614+00:00');
INSERT INTO "_sqlite_migrations" VALUES(10,'polypward','m010_edges','2026-11-25 23:32:04.073739+00:00');
INSERT INTO "_sqlite_migrations" VALUES(11,'polypward','m011_kept_courses','2026-11-25 23:32:04.187466+00:00');
CREATE TABLE assignment_steps (
            id integer primary key, key text not null references photos(key), at text not null,
            by text not null default '', before text, after text,
            specimen_before text not null default '', from_before text not null default '');
INSERT INTO "assignment_steps" VALUES(1,'271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','2026-11-25T23:32:14+00:00','',NULL,'{"at":"2026-11-25T23:32:14+00:00","dropped":0,"key":"271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8","shift_minutes":0,"specimen":"amber"}','','');
CREATE TABLE assignments (
            key text primary key references photos(key), specimen text, dropped integer not null
            default 0, shift_minutes integer not null default 0, at text not null);
INSERT INTO "assignments" VALUES('271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','amber',0,0,'2026-11-25T23:32:14+00:00');
CREATE TABLE audit (
            id integer primary key, at text not null, what text not null,
            subject text not null, old text, new text);
INSERT INTO "audit" VALUES(1,'2026-11-25T23:32:04+00:00','register taken','r.csv',NULL,'{"by":"","changed":[],"new":["amber","blue"],"sha256":"43a377a09ce74d1202d7a48eb1bd0f9555e89022c97654c992baa6a8dc32b536"}');
INSERT INTO "audit" VALUES(2,'2026-11-25T23:32:14+00:00','person said','271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8',NULL,'{"at":"2026-11-25T23:32:14+00:00","dropped":0,"key":"271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8","shift_minutes":0,"specimen":"amber"}');
INSERT INTO "audit" VALUES(3,'2026-11-25T23:32:14+00:00','assigned','271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','{"open":"","photographer":"","placing":"[\"no-specimen\"]","placing_detail":"","specimen":"","specimen_from":"","taken_at":"2026-05-11T08:00:00.000000+00:00","view":""}','{"open":"","photographer":"","placing":"[]","placing_detail":"","specimen":"amber","specimen_from":"assigned","taken_at":"2026-05-11T08:00:00.000000+00:00","view":""}');
INSERT INTO "audit" VALUES(4,'2026-11-25T23:32:19+00:00','specimen changed','amber','{"arrived_on":"2026-05-01","as_is_price":null,"batch":"B1","box":"","cost":40.0,"expected_price":null,"height_mm":null,"kind":"brain","left_on":null,"light":"","note":"","parent":"","permit":"","place":"rack 1","registered":1,"specimen":"amber","state":"held","supplier":"Ondriva","unpacked_as":"","water_system":"lagoon"}','{"arrived_on":"2026-05-01","as_is_price":null,"batch":"B1","box":"","cost":40.0,"expected_price":null,"height_mm":null,"kind":"brain","left_on":null,"light":"","note":"","parent":"","permit":"","place":"rack 2","registered":1,"specimen":"amber","state":"held","supplier":"Ondriva","unpacked_as":"","water_system":"lagoon"}');
INSERT INTO "audit" VALUES(5,'2026-11-25T23:32:27+00:00','claim begun','B1',NULL,'{}');
INSERT INTO "audit" VALUES(6,'2026-11-25T23:33:12+00:00','claim changed','B1','{"claimed":null,"sheet":"","sheet_sha256":"","unpriced":0}','{"claimed":30.0,"sheet":"claims/B1/sheet-1","sheet_sha256":"adb4bd44bb3e03fb9f5a3b80967052b3ba5069088fa08ab7239f78390723e5f2","unpriced":0}');
INSERT INTO "audit" VALUES(7,'2026-11-25T23:33:15+00:00','tag put on','T17',NULL,'{"by":"","since":"2026-05-04T09:00:00+00:00","specimen":"amber"}');
CREATE TABLE balances (
            id integer primary key references readings(id) on delete cascade,
            red real, blue real);
INSERT INTO "balances" VALUES(1,-1.1778303565638342798e-01,-2.51314428280906165813e-01);
INSERT INTO "balances" VALUES(2,-1.1778303565638342798e-01,-2.51314428280906165813e-01);
INSERT INTO "balances" VALUES(3,-1.1778303565638342798e-01,-2.51314428280906165813e-01);
CREATE TABLE batch_costs (
            batch text not null, what text not null, amount real not null, at text not null,
            by text not null default '', primary key (batch, what));
CREATE TABLE cameras (
            camera text primary key, focal_35mm real not null, lens text not null,
            photos integer not null, rms_px real not null, at text not null);
CREATE TABLE card_events (
            id integer primary key, serial text not null, at text not null, what text not null,
            detail text not null default '{}', by text not null default '');
CREATE TABLE cards (
            serial text primary key, card text not null, scale_x real, scale_y real,
            saved_at text not null);
CREATE TABLE care (
            id integer primary key, specimen text not null references specimens(specimen),
            at text not null, what text not null, detail text not null default '{}',
            by text not null default '', unique (specimen, at, what, detail, by));
INSERT INTO "care" VALUES(1,'amber','2026-05-05T09:00:00+00:00','dip','{}','Kim');
INSERT INTO "care" VALUES(2,'amber','2026-05-06T09:00:00+00:00','move','{"to":"rack 2"}','');
INSERT INTO "care" VALUES(3,'amber','2026-05-07T09:00:00+00:00','dip','{"name":"iodine","treatment":"1"}','');
INSERT INTO "care" VALUES(4,'amber','2026-05-08T09:00:00+00:00','inspection','{"clean":"yes","inspection":"1"}','');
INSERT INTO "care" VALUES(5,'amber','2026-05-09T09:00:00+00:00','feeding','{"amount":"usual","cost":"0.25","feeding":"1","food":"krill"}','');
INSERT INTO "care" VALUES(6,'amber','2026-05-06T10:00:00+00:00','quarantine','{"place":"rack 2","status":"started"}','');
CREATE TABLE care_ticks (
            id integer primary key, about text not null, what text not null, due_at text not null,
            done_at text, done_by text not null default '');
INSERT INTO "care_ticks" VALUES(1,'treatment:1','bath water away by local rules','2026-05-07T10:00:00+00:00',NULL,'');
INSERT INTO "care_ticks" VALUES(2,'feeding:1','left-over food out','2026-05-09T09:30:00+00:00',NULL,'');
CREATE TABLE cautions_seen (
            caution text not null, task text not null, by text not null, at text not null,
            primary key (caution, task, by));
INSERT INTO "cautions_seen" VALUES('palytoxin','intake','','2026-11-25T23:32:04+00:00');
INSERT INTO "cautions_seen" VALUES('stings','intake','','2026-11-25T23:32:04+00:00');
INSERT INTO "cautions_seen" VALUES('floors','intake','','2026-11-25T23:32:04+00:00');
INSERT INTO "cautions_seen" VALUES('cites','intake','','2026-11-25T23:32:04+00:00');
INSERT INTO "cautions_seen" VALUES('bags','intake','','2026-11-25T23:32:04+00:00');
INSERT INTO "cautions_seen" VALUES('disposal','intake','','2026-11-25T23:32:04+00:00');
INSERT INTO "cautions_seen" VALUES('lamps','photograph','','2026-11-25T23:32:12+00:00');
INSERT INTO "cautions_seen" VALUES('electricity','photograph','','2026-11-25T23:32:12+00:00');
INSERT INTO "cautions_seen" VALUES('stings','move','','2026-11-25T23:32:19+00:00');
INSERT INTO "cautions_seen" VALUES('floors','move','','2026-11-25T23:32:19+00:00');
INSERT INTO "cautions_seen" VALUES('palytoxin','treat','','2026-11-25T23:33:19+00:00');
INSERT INTO "cautions_seen" VALUES('stings','treat','','2026-11-25T23:33:19+00:00');
INSERT INTO "cautions_seen" VALUES('electricity','treat','','2026-11-25T23:33:19+00:00');
INSERT INTO "cautions_seen" VALUES('medicine','treat','','2026-11-25T23:33:19+00:00');
INSERT INTO "cautions_seen" VALUES('bath','treat','','2026-11-25T23:33:19+00:00');
INSERT INTO "cautions_seen" VALUES('disposal','treat','','2026-11-25T23:33:19+00:00');
INSERT INTO "cautions_seen" VALUES('palytoxin','inspect','','2026-11-25T23:33:23+00:00');
INSERT INTO "cautions_seen" VALUES('stings','inspect','','2026-11-25T23:33:23+00:00');
INSERT INTO "cautions_seen" VALUES('lamps','inspect','','2026-11-25T23:33:23+00:00');
INSERT INTO "cautions_seen" VALUES('stings','feed','','2026-11-25T23:33:26+00:00');
INSERT INTO "cautions_seen" VALUES('electricity','feed','','2026-11-25T23:33:26+00:00');
INSERT INTO "cautions_seen" VALUES('cover','feed','','2026-11-25T23:33:26+00:00');
INSERT INTO "cautions_seen" VALUES('electricity','water','','2026-11-25T23:33:32+00:00');
INSERT INTO "cautions_seen" VALUES('floors','water','','2026-11-25T23:33:32+00:00');
CREATE TABLE claim_pieces (
            specimen text primary key references specimens(specimen), batch text not null,
            verdict text not null, note text not null default '', at text not null,
            by text not null default '');
INSERT INTO "claim_pieces" VALUES('blue','B1','dead','','2026-11-25T23:32:27+00:00','');
CREATE TABLE claim_proofs (
            key text not null references photos(key), batch text not null,
            specimen text not null default '', kind text not null, at text not null,
            by text not null default '', primary key (key, batch, specimen, kind));
CREATE TABLE claims (
            batch text primary key, state text not null default 'open',
            moments text not null default '{}', claimed real, unpriced integer not null default 0,
            credited real not null default 0, sent_at text, answered_at text, closed_at text,
            sheet text not null default '', sheet_sha256 text not null default '',
            photos text not null default '', note text not null default '');
INSERT INTO "claims" VALUES('B1','open','{}',30.0,0,0.0,NULL,NULL,NULL,'claims/B1/sheet-1','adb4bd44bb3e03fb9f5a3b80967052b3ba5069088fa08ab7239f78390723e5f2','','');
CREATE TABLE clocks_told (
            camera text primary key, minutes_ahead integer not null, told_at text not null);
CREATE TABLE corrected_maps (
            key text not null references photos(key), part text not null default '',
            frame text not null, plane text, mask blob not null, by text not null default '',
            at text not null, primary key (key, part));
CREATE TABLE edge_steps (
            specimen text not null, view text not null, before_key text not null,
            after_key text not null, stamp text not null, found text not null,
            primary key (specimen, view, after_key));
CREATE TABLE feedings (
            id integer primary key, at text not null, by text not null default '',
            places text not null, specimens text not null, mix_id integer references mixes(id),
            food text not null default '', quantity real, portions real,
            amount text not null default 'usual', responses text not null default '{}',
            cover_minutes real, cost real, work_minutes real,
            note text not null default '', undone_at text);
INSERT INTO "feedings" VALUES(1,'2026-05-09T09:00:00+00:00','','["rack 2"]','["amber"]',NULL,'krill',5.0,NULL,'usual','{}',NULL,0.25,NULL,'',NULL);
CREATE TABLE first_stands (
            specimen text primary key references specimens(specimen),
            place text not null, water_system text not null, light text not null);
INSERT INTO "first_stands" VALUES('amber','rack 1','lagoon','');
CREATE TABLE foods (
            food text primary key, unit text not null, price real, note text not null default '',
            at text not null);
INSERT INTO "foods" VALUES('krill','g',0.05,'','2026-11-25T23:33:17+00:00');
CREATE TABLE inspections (
            id integer primary key, at text not null, by text not null default '',
            places text not null, specimens text not null, found text not null,
            treated text not null default '', again_on text, work_minutes real,
            note text not null default '', undone_at text);
INSERT INTO "inspections" VALUES(1,'2026-05-08T09:00:00+00:00','','["rack 2"]','["amber"]','[]','',NULL,NULL,'',NULL);
CREATE TABLE kept_courses (
            specimen text primary key, inputs text not null, stands text not null,
            repeat text not null, lines text not null, score text not null);
INSERT INTO "kept_courses" VALUES('blue','c9c17b65f76616c85aec','{"arrived_on":"2026-05-01","facts":{"any_flag":"no","condition":94.86832980505137,"cover":0.9,"days_here":null,"eating":"unknown","flag.look-again":"no","flag.overdue":"no","flag.overgrowth":"no","flag.paling":"no","flag.recession":"no","flag.sharp-loss":"no","flag.stalled":"no","open_treatment":"no","paling":0.0,"quarantine_done":null,"second_look":"no","stable_days":0.0,"visits":1.0},"flags":[],"gone":"","gone_on":null,"here_since":"2026-05-01","last_on":"2026-05-04","looks_dead":false,"score":{"advice":"","condition":94.86832980505137,"condition_intake":94.86832980505137,"condition_sd":1.870979194374246,"cover_change_per_week":null,"first_seen":"2026-05-04","flags":[],"last_seen":"2026-05-04","live_change_pct":null,"live_mm2":900.0,"paling_change_per_week":null,"recovery":null,"recovery_high":null,"recovery_low":null,"specimen":"blue","visits":1}}','{"df":{},"kinks":{},"runs":{},"squares":{}}','[["blue/a.jpg","blue/a.jpg,2f589d9dd77cbdfc874f111ffb1f224bced58d77534d5565f0ba67eea0732b77,blue,2026-05-04T08:00:00+00:00,accepted,,frame,FAKE1,0.05,3.0,400.0,,,relative,1.5,4.0,900.0,10.0,0.0,100.0,0.0,0.9,0.01,45.0,10.0,20.0,0.0,0.0378,20.0,-1.5,0.2,tiles/6d8e0116f9acb785-c744fd.jpg,masks/6d8e0116f9acb785-c744fd.png,,,1.0,0.05,\n"]]','blue,2026-05-04,2026-05-04,1,94.87,1.87,94.87,,,,900.0,,,,overdue,hold
');
INSERT INTO "kept_courses" VALUES('','','','','[]','');
INSERT INTO "kept_courses" VALUES('amber','1d8ef4ab8db3bc0e88f3','{"arrived_on":"2026-05-01","facts":{"any_flag":"no","condition":94.86832980505137,"cover":0.9,"days_here":null,"eating":"unknown","flag.look-again":"no","flag.overdue":"no","flag.overgrowth":"no","flag.paling":"no","flag.recession":"no","flag.sharp-loss":"no","flag.stalled":"no","open_treatment":"no","paling":0.0,"quarantine_done":"no","second_look":"no","stable_days":7.0,"visits":2.0},"flags":[],"gone":"","gone_on":null,"here_since":"2026-05-01","last_on":"2026-05-11","looks_dead":false,"score":{"advice":"","condition":94.86832980505137,"condition_intake":94.86832980505137,"condition_sd":1.870979194374246,"cover_change_per_week":null,"first_seen":"2026-05-04","flags":[],"last_seen":"2026-05-11","live_change_pct":0.0,"live_mm2":900.0,"paling_change_per_week":null,"recovery":null,"recovery_high":null,"recovery_low":null,"specimen":"amber","visits":2}}','{"df":{},"kinks":{},"runs":{},"squares":{}}','[["amber/a.jpg","amber/a.jpg,33c8938a1279501aef756bbc96e7ef77603291cd3e68977c506160acc9a53e61,amber,2026-05-04T08:00:00+00:00,accepted,,frame,FAKE1,0.05,3.0,400.0,,,relative,1.5,4.0,900.0,10.0,0.0,100.0,0.0,0.9,0.01,45.0,10.0,20.0,0.0,0.0378,20.0,-1.5,0.2,tiles/3f3b06c7050fbc2d-c744fd.jpg,masks/3f3b06c7050fbc2d-c744fd.png,,,1.0,0.05,\n"],["IMG_7.jpg","IMG_7.jpg,271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8,amber,2026-05-11T08:00:00+00:00,accepted,,frame,FAKE1,0.05,3.0,400.0,,,relative,1.5,4.0,900.0,10.0,0.0,100.0,0.0,0.9,0.01,45.0,10.0,20.0,0.0,0.0378,20.0,-1.5,0.2,tiles/bd9da1229dca8d44-c744fd.jpg,masks/bd9da1229dca8d44-c744fd.png,,,1.0,0.05,\n"]]','amber,2026-05-04,2026-05-11,2,94.87,1.87,94.87,,,,900.0,0.0,,,overdue,hold
');
CREATE TABLE kept_marks (name text primary key, value text not null);
INSERT INTO "kept_marks" VALUES('readings.csv','1278:1795649535557701347');
INSERT INTO "kept_marks" VALUES('pooled','{"area_between":null,"area_df":0,"area_within":null,"between_df":0,"cover_between":null,"cover_by_band":{},"cover_df":0,"cover_within":null,"lab_between":null,"lab_df":0,"lab_within":null,"overgrown_between":null,"overgrown_df":0,"overgrown_within":null}');
INSERT INTO "kept_marks" VALUES('general','f77d2324fa102dc1d23c');
INSERT INTO "kept_marks" VALUES('day','2026-11-25');
INSERT INTO "kept_marks" VALUES('seen','5937ccf71469f44b46fc');
CREATE TABLE kind_colours (
            kind text primary key, L real not null, a real not null, b real not null,
            specimens text not null, reason text not null, by text not null default '',
            at text not null);
CREATE TABLE mixes (
            id integer primary key, mix text not null, parts text not null, portions real not null,
            made_at text not null, use_by text not null, portion_cost real,
            by text not null default '', note text not null default '', undone_at text);
CREATE TABLE phone_sessions (
            digest text primary key, name text not null default '', paired_at text not null,
            expires_at text not null, told integer not null default 0);
CREATE TABLE phone_taps (
            id integer primary key, at text not null, by text not null default '',
            words text not null, undo text not null, undone_at text);
CREATE TABLE phone_uploads (
            token text primary key, key text not null default '', file text not null,
            received_at text not null, time_source text not null default '',
            said text not null default '{}', lot text not null default '',
            place_in_lot integer not null default 0, tags text not null default '[]',
            settled integer not null default 0);
CREATE TABLE photos (
            key text primary key, sha256 text not null, path text not null, bytes integer,
            first_seen text not null, exif_taken_at text, decoded integer not null default 0,
            tags text not null default '[]', manifest text not null default '{}',
            flags text not null default '{}', gps_at text, tray text not null default '[]', camera text not null default '');
INSERT INTO "photos" VALUES('271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','IMG_7.jpg',51,'2026-11-25T23:32:08+00:00','2026-05-11T10:00:00+02:00',1,'[]','{}','{}',NULL,'[]','');
INSERT INTO "photos" VALUES('33c8938a1279501aef756bbc96e7ef77603291cd3e68977c506160acc9a53e61','33c8938a1279501aef756bbc96e7ef77603291cd3e68977c506160acc9a53e61','amber/a.jpg',55,'2026-11-25T23:32:08+00:00','2026-05-04T10:00:00+02:00',1,'[]','{}','{}',NULL,'[]','');
INSERT INTO "photos" VALUES('2f589d9dd77cbdfc874f111ffb1f224bced58d77534d5565f0ba67eea0732b77','2f589d9dd77cbdfc874f111ffb1f224bced58d77534d5565f0ba67eea0732b77','blue/a.jpg',54,'2026-11-25T23:32:08+00:00','2026-05-04T10:00:00+02:00',1,'[]','{}','{}',NULL,'[]','');
CREATE TABLE place_looks (
            id integer primary key, place text not null, at text not null,
            by text not null default '', odd text not null default '{}', undone_at text);
CREATE TABLE place_standings (
            id integer primary key, place text not null, state text not null, since text not null,
            days integer, by text not null default '', reason text not null default '',
            noted_at text not null);
INSERT INTO "place_standings" VALUES(1,'rack 2','quarantine','2026-05-06',21,'','','2026-11-25T23:33:29+00:00');
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
            inputs text not null, measured_at text not null, part text not null default '', unique (key, specimen));
INSERT INTO "readings" VALUES(1,'271c076e2ddfd948b912fca88fd3cd8c513a4a5bde518c2210f43ee4370b11d8','amber','','2026-05-11T08:00:00.000000+00:00','assigned','[]','',0,'','[]','','frame','FAKE1',0.05,3.0,400.0,NULL,'','relative',1.5,4.0,900.0,10.0,9.99999999999999715765e+01,0.0,0.9,0.01,45.0,10.0,20.0,20.0,-1.5,0.2,'tiles/bd9da1229dca8d44-c744fd.jpg','masks/bd9da1229dca8d44-c744fd.png','','',0.05,'',1.0,NULL,120.0,X'00003442000020410000A04100006144','{"model": "linear", "white": [0.8, 0.9, 0.7]}',X'000000000000F03F00000000000000000000000000000000','{"card":"","colour_model":"linear","height_mm":null,"lamp":"","mm_per_px":null,"model":"fake-1","outline":null,"water_mm":null}','2026-11-25T23:32:11+00:00','');
INSERT INTO "readings" VALUES(2,'33c8938a1279501aef756bbc96e7ef77603291cd3e68977c506160acc9a53e61','amber','','2026-05-04T08:00:00.000000+00:00','folder','[]','',0,'','[]','','frame','FAKE1',0.05,3.0,400.0,NULL,'','relative',1.5,4.0,900.0,10.0,9.99999999999999715765e+01,0.0,0.9,0.01,45.0,10.0,20.0,20.0,-1.5,0.2,'tiles/3f3b06c7050fbc2d-c744fd.jpg','masks/3f3b06c7050fbc2d-c744fd.png','','',0.05,'',1.0,NULL,120.0,X'00003442000020410000A04100006144','{"model": "linear", "white": [0.8, 0.9, 0.7]}',X'000000000000F03F00000000000000000000000000000000','{"card":"","colour_model":"linear","height_mm":null,"lamp":"","mm_per_px":null,"model":"fake-1","outline":null,"water_mm":null}','2026-11-25T23:32:11+00:00','');
INSERT INTO "readings" VALUES(3,'2f589d9dd77cbdfc874f111ffb1f224bced58d77534d5565f0ba67eea0732b77','blue','','2026-05-04T08:00:00.000000+00:00','folder','[]','',0,'','[]','','frame','FAKE1',0.05,3.0,400.0,NULL,'','relative',1.5,4.0,900.0,10.0,9.99999999999999715765e+01,0.0,0.9,0.01,45.0,10.0,20.0,20.0,-1.5,0.2,'tiles/6d8e0116f9acb785-c744fd.jpg','masks/6d8e0116f9acb785-c744fd.png','','',0.05,'',1.0,NULL,120.0,X'00003442000020410000A04100006144','{"model": "linear", "white": [0.8, 0.9, 0.7]}',X'000000000000F03F00000000000000000000000000000000','{"card":"","colour_model":"linear","height_mm":null,"lamp":"","mm_per_px":null,"model":"fake-1","outline":null,"water_mm":null}','2026-11-25T23:32:11+00:00','');
CREATE TABLE register_rows (
            register_key text primary key, row text not null, count integer not null);
INSERT INTO "register_rows" VALUES('specimen amber','{"arrived_on":"2026-05-01","batch":"B1","cost":40.0,"kind":"brain","place":"rack 1","supplier":"Ondriva","water_system":"lagoon"}',1);
INSERT INTO "register_rows" VALUES('specimen blue','{"arrived_on":"2026-05-01","batch":"B1","cost":30.0,"kind":"cup","place":"rack 1","supplier":"Ondriva","water_system":"lagoon"}',1);
CREATE TABLE signs (sign text primary key, at text not null);
CREATE TABLE specimens (
            specimen text primary key, batch text not null default '',
            supplier text not null default '', kind text not null default '',
            place text not null default '', water_system text not null default '',
            arrived_on text, cost real, expected_price real, as_is_price real, height_mm real,
            parent text not null default '', state text not null default 'held', left_on text,
            registered integer not null default 1, register_key text, first_named text not null, box text not null default '', permit text not null default '', light text not null default '', unpacked_as text not null default '', note text not null default '');
INSERT INTO "specimens" VALUES('amber','B1','Ondriva','brain','rack 2','lagoon','2026-05-01',40.0,NULL,NULL,NULL,'','held',NULL,1,'specimen amber','2026-11-25T23:32:04+00:00','','','','','');
INSERT INTO "specimens" VALUES('blue','B1','Ondriva','cup','rack 1','lagoon','2026-05-01',30.0,NULL,NULL,NULL,'','held',NULL,1,'specimen blue','2026-11-25T23:32:04+00:00','','','','','');
CREATE TABLE stale_courses (specimen text primary key);
CREATE TABLE stale_lights (lamp text primary key, since text not null);
CREATE TABLE summaries (
            specimen text primary key references specimens(specimen), summary text not null);
INSERT INTO "summaries" VALUES('amber','{"advice":"hold","flags":[{"evidence":"last photographed on 2026-05-11, 198 days ago; planned after 7 days","name":"overdue","raised_on":"2026-05-19","urgent":false}],"last_seen":"2026-05-11","looks_dead":false,"next_photo_on":"2026-05-18","quarantine":true,"reason":"Fewer than three visits: too few to say how it goes.","treated":false}');
INSERT INTO "summaries" VALUES('blue','{"advice":"hold","flags":[{"evidence":"last photographed on 2026-05-04, 205 days ago; planned after 7 days","name":"overdue","raised_on":"2026-05-12","urgent":false}],"last_seen":"2026-05-04","looks_dead":false,"next_photo_on":"2026-05-11","quarantine":false,"reason":"Fewer than three visits: too few to say how it goes.","treated":false}');
CREATE TABLE tags_worn (
            id integer primary key, tag text not null,
            specimen text not null references specimens(specimen),
            since text not null, until text, by text not null default '');
INSERT INTO "tags_worn" VALUES(1,'T17','amber','2026-05-04T09:00:00+00:00',NULL,'');
CREATE TABLE treatments (
            id integer primary key, at text not null, by text not null default '',
            places text not null, specimens text not null, how text not null, agent text not null,
            substance text not null default '', lot text not null default '',
            concentration text not null default '', source text not null default '',
            prescriber text not null default '', bath_l real, bath_minutes real,
            temperature_c real, disposal text not null default '', cost real, work_minutes real,
            note text not null default '', ended_at text, ended_by text not null default '',
            undone_at text);
INSERT INTO "treatments" VALUES(1,'2026-05-07T09:00:00+00:00','','[]','["amber"]','dip','iodine','','','','','',NULL,NULL,NULL,'',NULL,NULL,'',NULL,'',NULL);
CREATE TABLE unpackings (
            id integer primary key, batch text not null, box text not null default '',
            at text not null, bag_temp_c real, bag_salinity real, bag_ph real, transit_hours real,
            note text not null default '', by text not null default '',
            unique (batch, box, at));
INSERT INTO "unpackings" VALUES(1,'B1','1','2026-05-01T09:00:00+00:00',21.0,NULL,NULL,NULL,'','');
CREATE TABLE ward_models (
            id integer primary key, at text not null, by text not null default '',
            base_version text not null, version text not null, weights blob,
            maps integer not null, figures text not null, used integer not null);
CREATE TABLE water_changes (
            id integer primary key, at text not null, by text not null default '',
            water_system text not null, places text not null, specimens text not null, litres real,
            share real, cost real, work_minutes real, note text not null default '',
            undone_at text);
CREATE TABLE water_doses (
            id integer primary key, system text not null references water_systems(system),
            what text not null, raises text not null default '', amount real not null,
            unit text not null, at text not null, by text not null default '',
            again integer not null default 0, note text not null default '', undone_at text);
CREATE TABLE water_systems (
            system text primary key, litres real, litres_how text not null default '',
            offered_at text, at text not null);
INSERT INTO "water_systems" VALUES('lagoon',NULL,'','2026-11-25T23:33:32+00:00','2026-11-25T23:33:32+00:00');
CREATE TABLE water_targets (
            system text not null references water_systems(system), parameter text not null,
            low real, high real, aim real, a_day real, source text not null,
            by text not null default '', at text not null, primary key (system, parameter));
CREATE TABLE water_tests (
            id integer primary key, system text not null references water_systems(system),
            parameter text not null, value real not null, below integer not null default 0,
            entered text not null, at text not null, kit text not null default '',
            kit_expires text, by text not null default '', note text not null default '',
            undone_at text);
INSERT INTO "water_tests" VALUES(1,'lagoon','alkalinity',8.0,0,'alkalinity=8.0 dKH','2026-05-09T09:00:00+00:00','',NULL,'','',NULL);
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX readings_by_specimen on readings(specimen, taken_at);
CREATE TRIGGER audit_is_kept before delete on audit
            begin select raise(abort, 'the audit is append-only'); end;
CREATE TRIGGER audit_is_not_changed before update on audit
            begin select raise(abort, 'the audit is append-only'); end;
CREATE INDEX assignment_steps_by_key on assignment_steps(key);
CREATE INDEX specimens_by_place on specimens(place);
CREATE INDEX tags_worn_by_tag on tags_worn(tag, since);
CREATE INDEX tags_worn_by_specimen on tags_worn(specimen);
CREATE INDEX water_tests_by_system on water_tests(system, parameter, at);
CREATE INDEX water_doses_by_system on water_doses(system, at);
CREATE INDEX mixes_by_name on mixes(mix, made_at);
CREATE INDEX place_standings_by_place on place_standings(place, id);
CREATE INDEX care_ticks_open on care_ticks(done_at, due_at);
CREATE INDEX care_by_word on care(what, at);
CREATE INDEX phone_uploads_by_lot on phone_uploads(lot, place_in_lot);
CREATE INDEX phone_uploads_by_key on phone_uploads(key);
CREATE INDEX place_looks_by_time on place_looks(at);
CREATE INDEX readings_by_lamp on readings
            (lamp, taken_at, key, light_changed, measure_code, colour_grade, copy_path);
CREATE TRIGGER specimens_stale_insert after insert on specimens begin insert or ignore into stale_courses (specimen) values (new.specimen); end;
CREATE TRIGGER specimens_stale_delete after delete on specimens begin insert or ignore into stale_courses (specimen) values (old.specimen); end;
CREATE TRIGGER specimens_stale_update after update on specimens begin insert or ignore into stale_courses (specimen) values (old.specimen);insert or ignore into stale_courses (specimen) values (new.specimen); end;
CREATE TRIGGER care_stale_insert after insert on care begin insert or ignore into stale_courses (specimen) values (new.specimen); end;
CREATE TRIGGER care_stale_delete after delete on care begin insert or ignore into stale_courses (specimen) values (old.specimen); end;
CREATE TRIGGER care_stale_update after update on care begin insert or ignore into stale_courses (specimen) values (old.specimen);insert or ignore into stale_courses (specimen) values (new.specimen); end;
CREATE TRIGGER readings_stale_insert after insert on readings begin insert or ignore into stale_courses (specimen) values (new.specimen); end;
CREATE TRIGGER readings_stale_delete after delete on readings begin insert or ignore into stale_courses (specimen) values (old.specimen); end;
CREATE TRIGGER readings_stale_update after update of key, specimen, copy_path, taken_at, placing, placing_detail, light_changed, measure_code, notes, detail, card, card_serial, mm_per_px, tilt_deg, camera_mm, height_mm, lamp, colour_grade, de00_mean, de00_max, live_mm2, live_mm2_sd, bare_mm2, overgrown_mm2, live_cover, live_cover_sd, L, a, b, tile_x_mm, tile_y_mm, tile_mm_per_px, tile, mask, view, open, unsure, photographer, lab_sd, bare_lab, perimeter_mm, palette on readings begin insert or ignore into stale_courses (specimen) values (old.specimen);insert or ignore into stale_courses (specimen) values (new.specimen); end;
CREATE TRIGGER photos_stale_update after update of path, sha256 on photos begin insert or ignore into stale_courses (specimen) select specimen from readings where key = new.key; end;
CREATE TRIGGER readings_lit_insert after insert on readings begin insert into stale_lights (lamp, since) values (new.lamp, coalesce(new.taken_at, '')) on conflict (lamp) do update set since = min(since, excluded.since); end;
CREATE TRIGGER readings_lit_delete after delete on readings begin insert into stale_lights (lamp, since) values (old.lamp, coalesce(old.taken_at, '')) on conflict (lamp) do update set since = min(since, excluded.since); end;
CREATE TRIGGER readings_lit_update after update of lamp, taken_at, key, correction, measure_code, colour_grade, copy_path on readings begin insert into stale_lights (lamp, since) values (old.lamp, coalesce(old.taken_at, '')) on conflict (lamp) do update set since = min(since, excluded.since);insert into stale_lights (lamp, since) values (new.lamp, coalesce(new.taken_at, '')) on conflict (lamp) do update set since = min(since, excluded.since); end;
CREATE TRIGGER readings_balanced_update after update of correction on readings begin delete from balances where id = new.id; end;
COMMIT;
