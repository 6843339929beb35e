-- A store as schema 0003 leaves it, with a few invented rows; sqlite3's .dump of it.
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0003');
CREATE TABLE attempt (
	"key" VARCHAR(120) NOT NULL, 
	n INTEGER NOT NULL, 
	epoch INTEGER NOT NULL, 
	started VARCHAR(20) NOT NULL, 
	phase VARCHAR(20) NOT NULL, 
	reply TEXT, 
	ended VARCHAR(20), 
	CONSTRAINT pk_attempt PRIMARY KEY ("key", n), 
	CONSTRAINT fk_attempt_key_outbox FOREIGN KEY("key") REFERENCES outbox ("key")
);
INSERT INTO "attempt" VALUES('09e55ba95ad656bb:2026-07-20:brief:0',1,3,'2026-07-20T08:30:00Z','sent','250 2.0.0 taken','2026-07-20T08:30:00Z');
CREATE TABLE body (
	sha256 VARCHAR(64) NOT NULL, 
	bytes BLOB NOT NULL, 
	CONSTRAINT pk_body PRIMARY KEY (sha256)
);
INSERT INTO "body" VALUES('812702a1550d251abb2b813409daf5960269f1b9d62fa1c027c319e7baca3ae8',X'6669727374206C696E650A');
INSERT INTO "body" VALUES('04cf9902e3a34901f5a35db892982baa5bf733a571b716265b7d5341779ad98d',X'3C703E6669727374206C696E653C2F703E');
INSERT INTO "body" VALUES('398e3b03cbc6cba422194761f14cfd45a504c74ac3bc5e064606268ffb2dbfff',X'7B2264617461223A7B22646179223A22323032362D30372D3230227D2C2274696D657374616D70223A22323032362D30372D32305430383A33303A30305A222C2274797065223A226269746577617463682E6272696566227D');
CREATE TABLE cell (
	"key" VARCHAR(200) NOT NULL, 
	source VARCHAR(40) NOT NULL, 
	latitude FLOAT NOT NULL, 
	longitude FLOAT NOT NULL, 
	elevation_m FLOAT, 
	route TEXT NOT NULL, 
	CONSTRAINT pk_cell PRIMARY KEY ("key")
);
INSERT INTO "cell" VALUES('met-norway:41.30,-74.20','met-norway',41.3,-74.2,NULL,'{}');
CREATE TABLE decision (
	subscription VARCHAR(32) NOT NULL, 
	local_date DATE NOT NULL, 
	kind VARCHAR(20) NOT NULL, 
	seq INTEGER NOT NULL, 
	body_hash VARCHAR(64), 
	inputs_ref TEXT NOT NULL, 
	decided_at VARCHAR(20) NOT NULL, 
	CONSTRAINT pk_decision PRIMARY KEY (subscription, local_date, kind, seq)
);
INSERT INTO "decision" VALUES('4362aae1255e9543','2026-07-20','brief',0,'44a5f256b94d144379f48a9750ddc27d43d2c38c9bac0a51be8a84ed18ab023d','{}','2026-07-20T08:30:00Z');
INSERT INTO "decision" VALUES('09e55ba95ad656bb','2026-07-20','brief',0,'44a5f256b94d144379f48a9750ddc27d43d2c38c9bac0a51be8a84ed18ab023d','{}','2026-07-20T08:30:00Z');
CREATE TABLE endpoint (
	id VARCHAR(32) NOT NULL, 
	kind VARCHAR(20) NOT NULL, 
	address VARCHAR(2048) NOT NULL, 
	state VARCHAR(20) NOT NULL, 
	reason TEXT, 
	consecutive_failures INTEGER NOT NULL, 
	fail_since VARCHAR(20), 
	open_until VARCHAR(20), 
	lan_allowed INTEGER NOT NULL, 
	secret TEXT, 
	created_at VARCHAR(20) NOT NULL, 
	CONSTRAINT pk_endpoint PRIMARY KEY (id)
);
INSERT INTO "endpoint" VALUES('14a27b26a20e3ff7','email','pat@example.org','active',NULL,0,NULL,NULL,1,NULL,'2026-07-20T08:30:00Z');
INSERT INTO "endpoint" VALUES('18b4c24a136fc9e5','file','/srv/briefs','active',NULL,0,NULL,NULL,1,NULL,'2026-07-20T08:30:00Z');
CREATE TABLE event (
	id INTEGER NOT NULL, 
	at VARCHAR(20) NOT NULL, 
	name VARCHAR(40) NOT NULL, 
	subject VARCHAR(200) NOT NULL, 
	reason TEXT NOT NULL, 
	details TEXT NOT NULL, 
	CONSTRAINT pk_event PRIMARY KEY (id)
);
INSERT INTO "event" VALUES(1,'2026-07-20T08:30:00Z','SourceDown','hourly-csv','the file cannot be read','{}');
INSERT INTO "event" VALUES(2,'2026-07-20T08:30:00Z','ForecastArrived','hourly-csv:hours.csv','hourly-csv issued something new for 1 cell','{"cells": ["hourly-csv:hours.csv"], "notes": [], "payload": 1}');
INSERT INTO "event" VALUES(3,'2026-07-20T08:30:00Z','MessageSent','09e55ba95ad656bb:2026-07-20:brief:0','250 2.0.0 taken','{"channel": "file", "state": "sent", "try": 1}');
CREATE TABLE feed (
	name VARCHAR(200) NOT NULL, 
	read_at VARCHAR(20), 
	trouble TEXT, 
	only_by_zone INTEGER NOT NULL, 
	without_place INTEGER NOT NULL, 
	CONSTRAINT pk_feed PRIMARY KEY (name)
);
INSERT INTO "feed" VALUES('nws','2026-07-20T08:30:00Z',NULL,0,0);
CREATE TABLE front (
	id INTEGER NOT NULL, 
	lake VARCHAR(64) NOT NULL, 
	kind VARCHAR(10) NOT NULL, 
	onset VARCHAR(20) NOT NULL, 
	earliest VARCHAR(20) NOT NULL, 
	latest VARCHAR(20) NOT NULL, 
	strength FLOAT NOT NULL, 
	surge_at VARCHAR(20), 
	told_onset VARCHAR(20) NOT NULL, 
	source VARCHAR(40) NOT NULL, 
	found_at VARCHAR(20) NOT NULL, 
	seen_at VARCHAR(20) NOT NULL, 
	misses INTEGER NOT NULL, 
	missed_in VARCHAR(200) NOT NULL, 
	state VARCHAR(12) NOT NULL, 
	observed_onset VARCHAR(20), 
	CONSTRAINT pk_front PRIMARY KEY (id)
);
INSERT INTO "front" VALUES(1,'north-pond','cold','2026-07-20T08:30:00Z','2026-07-20T08:30:00Z','2026-07-20T08:30:00Z',0.7,NULL,'2026-07-20T08:30:00Z','met-norway','2026-07-20T08:30:00Z','2026-07-20T08:30:00Z',0,'','foretold',NULL);
CREATE TABLE host (
	name VARCHAR(255) NOT NULL, 
	failures INTEGER NOT NULL, 
	rests INTEGER NOT NULL, 
	open_until VARCHAR(20), 
	stopped TEXT, 
	changed_at VARCHAR(20) NOT NULL, 
	CONSTRAINT pk_host PRIMARY KEY (name)
);
INSERT INTO "host" VALUES('weather.example',2,0,NULL,NULL,'2026-07-20T08:30:00Z');
CREATE TABLE issue (
	id INTEGER NOT NULL, 
	cell VARCHAR(200) NOT NULL, 
	source VARCHAR(40) NOT NULL, 
	model VARCHAR(60) NOT NULL, 
	reference_time VARCHAR(20), 
	retrieved_at VARCHAR(20) NOT NULL, 
	payload_id INTEGER NOT NULL, 
	part INTEGER NOT NULL, 
	grid_latitude FLOAT, 
	grid_longitude FLOAT, 
	grid_elevation_m FLOAT, 
	CONSTRAINT pk_issue PRIMARY KEY (id), 
	CONSTRAINT fk_issue_payload_id_payload FOREIGN KEY(payload_id) REFERENCES payload (id)
);
INSERT INTO "issue" VALUES(1,'hourly-csv:hours.csv','hourly-csv','file',NULL,'2026-07-20T08:30:00Z',1,0,NULL,NULL,NULL);
CREATE TABLE lake_air (
	lake VARCHAR(64) NOT NULL, 
	day DATE NOT NULL, 
	shortwave_wm2 FLOAT, 
	air_temp_c FLOAT, 
	vapour_hpa FLOAT, 
	wind_speed_ms FLOAT, 
	pressure_hpa FLOAT, 
	source VARCHAR(40) NOT NULL, 
	known_at VARCHAR(20) NOT NULL, 
	CONSTRAINT pk_lake_air PRIMARY KEY (lake, day)
);
INSERT INTO "lake_air" VALUES('north-pond','2026-07-19',310.5,22.1,18.2,2.4,1015.2,'met-norway','2026-07-20T08:30:00Z');
CREATE TABLE lake_fact (
	lake VARCHAR(64) NOT NULL, 
	name VARCHAR(40) NOT NULL, 
	value TEXT NOT NULL, 
	CONSTRAINT pk_lake_fact PRIMARY KEY (lake, name)
);
INSERT INTO "lake_fact" VALUES('north-pond','season','open');
CREATE TABLE meta (
	name VARCHAR(40) NOT NULL, 
	value TEXT NOT NULL, 
	CONSTRAINT pk_meta PRIMARY KEY (name)
);
INSERT INTO "meta" VALUES('epoch','3');
INSERT INTO "meta" VALUES('install_secret','0000000000000000000000000000000000000000000000000000000000000000');
INSERT INTO "meta" VALUES('heartbeat','2026-07-20T08:30:00+00:00');
CREATE TABLE outbox (
	"key" VARCHAR(120) NOT NULL, 
	channel VARCHAR(20) NOT NULL, 
	endpoint VARCHAR(32) NOT NULL, 
	message_id VARCHAR(200) NOT NULL, 
	payload TEXT NOT NULL, 
	state VARCHAR(20) NOT NULL, 
	not_before VARCHAR(20) NOT NULL, 
	expires_at VARCHAR(20) NOT NULL, 
	epoch INTEGER NOT NULL, 
	attempts INTEGER NOT NULL, 
	uncertain INTEGER NOT NULL, 
	last_error TEXT, 
	sent_at VARCHAR(20), 
	CONSTRAINT pk_outbox PRIMARY KEY ("key"), 
	CONSTRAINT fk_outbox_endpoint_endpoint FOREIGN KEY(endpoint) REFERENCES endpoint (id), 
	CONSTRAINT uq_outbox_message_id UNIQUE (message_id)
);
INSERT INTO "outbox" VALUES('4362aae1255e9543:2026-07-20:brief:0','email','14a27b26a20e3ff7','<e0ce7120571ad179e258a39f312c874d.v1@example.org>','{"body":"398e3b03cbc6cba422194761f14cfd45a504c74ac3bc5e064606268ffb2dbfff","decided_at":"2026-07-20T08:30:00+00:00","html":"04cf9902e3a34901f5a35db892982baa5bf733a571b716265b7d5341779ad98d","kind":"brief","list_name":"north-pond brief","local_date":"2026-07-20","pictures":[],"stem":"e0ce7120571ad179e258a39f312c874d","subject":"High over the weeds","text":"812702a1550d251abb2b813409daf5960269f1b9d62fa1c027c319e7baca3ae8","type":"bitewatch.brief"}','pending','2026-07-20T08:30:00Z','2026-07-21T04:00:00Z',0,0,0,NULL,NULL);
INSERT INTO "outbox" VALUES('09e55ba95ad656bb:2026-07-20:brief:0','file','18b4c24a136fc9e5','<f277397c41e2176828999a5b6a950bc9.v1@example.org>','{"body":"398e3b03cbc6cba422194761f14cfd45a504c74ac3bc5e064606268ffb2dbfff","decided_at":"2026-07-20T08:30:00+00:00","html":"04cf9902e3a34901f5a35db892982baa5bf733a571b716265b7d5341779ad98d","kind":"brief","list_name":"north-pond brief","local_date":"2026-07-20","pictures":[],"stem":"f277397c41e2176828999a5b6a950bc9","subject":"High over the weeds","text":"812702a1550d251abb2b813409daf5960269f1b9d62fa1c027c319e7baca3ae8","type":"bitewatch.brief"}','sent','2026-07-20T08:30:00Z','2026-07-21T04:00:00Z',3,1,0,NULL,'2026-07-20T08:30:00Z');
CREATE TABLE payload (
	id INTEGER NOT NULL, 
	source VARCHAR(40) NOT NULL, 
	url_key VARCHAR(400) NOT NULL, 
	fetched_at VARCHAR(20) NOT NULL, 
	confirmed_at VARCHAR(20) NOT NULL, 
	expires_at VARCHAR(20), 
	etag VARCHAR(200), 
	last_modified VARCHAR(60), 
	content_type VARCHAR(100), 
	body_sha256 VARCHAR(64) NOT NULL, 
	body_gz BLOB NOT NULL, 
	set_aside TEXT, reference_time VARCHAR(20), 
	CONSTRAINT pk_payload PRIMARY KEY (id)
);
INSERT INTO "payload" VALUES(1,'hourly-csv','hourly-csv:hours.csv','2026-07-20T08:30:00Z','2026-07-20T08:30:00Z',NULL,NULL,NULL,'text/csv','f90e70aacd9e132742dde65d078f7c405153d0adc94617c5d930324d01216fda',X'1F8B08000000000002032BC9CC4DD549CC2C8A2F49CD2D884FE632323032D33530D735320831B0B0323000A2281D23433D532E00F589E5FE2A000000',NULL,NULL);
CREATE TABLE place_cell (
	source VARCHAR(40) NOT NULL, 
	place VARCHAR(60) NOT NULL, 
	cell VARCHAR(200), 
	why_none TEXT, 
	until VARCHAR(20) NOT NULL, 
	CONSTRAINT pk_place_cell PRIMARY KEY (source, place), 
	CONSTRAINT fk_place_cell_cell_cell FOREIGN KEY(cell) REFERENCES cell ("key")
);
INSERT INTO "place_cell" VALUES('met-norway','41.3000,-74.2000','met-norway:41.30,-74.20',NULL,'2026-07-20T08:30:00Z');
CREATE TABLE reading (
	id INTEGER NOT NULL, 
	lake VARCHAR(64) NOT NULL, 
	at VARCHAR(20) NOT NULL, 
	temp_c FLOAT NOT NULL, 
	depth_m FLOAT, 
	hour_known INTEGER NOT NULL, 
	source VARCHAR(40) NOT NULL, 
	note TEXT, 
	known_at VARCHAR(20) NOT NULL, 
	undone_at VARCHAR(20), 
	CONSTRAINT pk_reading PRIMARY KEY (id)
);
INSERT INTO "reading" VALUES(1,'north-pond','2026-07-20T08:30:00Z',23.5,0.6,1,'typed',NULL,'2026-07-20T08:30:00Z',NULL);
CREATE TABLE shown (
	id INTEGER NOT NULL, 
	reader VARCHAR(40) NOT NULL, 
	lake VARCHAR(64) NOT NULL, 
	for_day DATE NOT NULL, 
	made_at VARCHAR(20) NOT NULL, 
	facts TEXT NOT NULL, 
	CONSTRAINT pk_shown PRIMARY KEY (id)
);
INSERT INTO "shown" VALUES(1,'09e55ba95ad656bb','north-pond','2026-07-20','2026-07-20T08:30:00Z','{"lake": "north-pond", "day": "2026-07-20"}');
CREATE TABLE sighting (
	id INTEGER NOT NULL, 
	front INTEGER NOT NULL, 
	source VARCHAR(40) NOT NULL, 
	model VARCHAR(60) NOT NULL, 
	seen_at VARCHAR(20) NOT NULL, 
	onset VARCHAR(20) NOT NULL, 
	strength FLOAT NOT NULL, 
	CONSTRAINT pk_sighting PRIMARY KEY (id), 
	CONSTRAINT fk_sighting_front_front FOREIGN KEY(front) REFERENCES front (id)
);
INSERT INTO "sighting" VALUES(1,1,'met-norway','locationforecast-2.0','2026-07-20T08:30:00Z','2026-07-20T08:30:00Z',0.7);
CREATE TABLE spent (
	source VARCHAR(40) NOT NULL, 
	window VARCHAR(10) NOT NULL, 
	began_at VARCHAR(20) NOT NULL, 
	weight FLOAT NOT NULL, 
	CONSTRAINT pk_spent PRIMARY KEY (source, window)
);
INSERT INTO "spent" VALUES('open-meteo','day','2026-07-20T08:30:00Z',3.0);
CREATE TABLE subscription (
	id VARCHAR(32) NOT NULL, 
	endpoint VARCHAR(32) NOT NULL, 
	lakes TEXT NOT NULL, 
	at VARCHAR(5) NOT NULL, 
	speaks_of VARCHAR(10) NOT NULL, 
	trip_from VARCHAR(5) NOT NULL, 
	trip_to VARCHAR(5) NOT NULL, 
	days VARCHAR(40) NOT NULL, 
	state VARCHAR(20) NOT NULL, 
	created_at VARCHAR(20) NOT NULL, 
	ended_at VARCHAR(20), quiet VARCHAR(11), 
	CONSTRAINT pk_subscription PRIMARY KEY (id), 
	CONSTRAINT fk_subscription_endpoint_endpoint FOREIGN KEY(endpoint) REFERENCES endpoint (id)
);
INSERT INTO "subscription" VALUES('4362aae1255e9543','14a27b26a20e3ff7','["north-pond"]','04:30','today','05:30','11:00','mon,tue,wed,thu,fri,sat,sun','active','2026-07-20T08:30:00Z',NULL,NULL);
INSERT INTO "subscription" VALUES('09e55ba95ad656bb','18b4c24a136fc9e5','["north-pond"]','04:30','today','05:30','11:00','mon,tue,wed,thu,fri,sat,sun','active','2026-07-20T08:30:00Z',NULL,NULL);
CREATE TABLE suppression (
	endpoint VARCHAR(32) NOT NULL, 
	reason VARCHAR(20) NOT NULL, 
	since VARCHAR(20) NOT NULL, 
	evidence TEXT NOT NULL, 
	CONSTRAINT pk_suppression PRIMARY KEY (endpoint, reason), 
	CONSTRAINT fk_suppression_endpoint_endpoint FOREIGN KEY(endpoint) REFERENCES endpoint (id)
);
CREATE TABLE warned_lake (
	lake VARCHAR(64) NOT NULL, 
	latitude FLOAT NOT NULL, 
	longitude FLOAT NOT NULL, 
	zones TEXT NOT NULL, 
	since VARCHAR(20) NOT NULL, 
	CONSTRAINT pk_warned_lake PRIMARY KEY (lake)
);
INSERT INTO "warned_lake" VALUES('north-pond',41.3,-74.2,'[]','2026-07-20T08:30:00Z');
CREATE TABLE warning (
	feed VARCHAR(200) NOT NULL, 
	id VARCHAR(300) NOT NULL, 
	first_seen_at VARCHAR(20) NOT NULL, 
	last_seen_at VARCHAR(20) NOT NULL, 
	gone_at VARCHAR(20), 
	told TEXT NOT NULL, 
	CONSTRAINT pk_warning PRIMARY KEY (feed, id)
);
INSERT INTO "warning" VALUES('nws','x','2026-07-20T08:30:00Z','2026-07-20T08:30:00Z','2026-07-20T08:30:00Z','{}');
CREATE TABLE warning_at (
	feed VARCHAR(200) NOT NULL, 
	id VARCHAR(300) NOT NULL, 
	lake VARCHAR(64) NOT NULL, 
	issued_at VARCHAR(20) NOT NULL, 
	ended_at VARCHAR(20), 
	CONSTRAINT pk_warning_at PRIMARY KEY (feed, id, lake), 
	CONSTRAINT fk_warning_at_feed_warning FOREIGN KEY(feed, id) REFERENCES warning (feed, id)
);
INSERT INTO "warning_at" VALUES('nws','x','north-pond','2026-07-20T08:30:00Z','2026-07-20T08:30:00Z');
CREATE TABLE watched (
	subscription VARCHAR(32) NOT NULL, 
	lake VARCHAR(64) NOT NULL, 
	for_day DATE NOT NULL, 
	told TEXT NOT NULL, 
	memory TEXT NOT NULL, 
	mark VARCHAR(64) NOT NULL, 
	updated_at VARCHAR(20) NOT NULL, 
	CONSTRAINT pk_watched PRIMARY KEY (subscription, lake, for_day), 
	CONSTRAINT fk_watched_subscription_subscription FOREIGN KEY(subscription) REFERENCES subscription (id)
);
INSERT INTO "watched" VALUES('09e55ba95ad656bb','north-pond','2026-07-20','{}','{}','x:y','2026-07-20T08:30:00Z');
CREATE INDEX ix_event_at ON event (at);
CREATE INDEX ix_event_subject ON event (subject);
CREATE INDEX ix_payload_url_key ON payload (url_key);
CREATE INDEX ix_shown_reader ON shown (reader);
CREATE INDEX ix_outbox_pending ON outbox (not_before) WHERE state = 'pending';
CREATE INDEX ix_front_lake_onset ON front (lake, onset);
CREATE INDEX ix_sighting_front ON sighting (front);
CREATE INDEX ix_warning_at_lake_ended_at ON warning_at (lake, ended_at);
CREATE INDEX ix_issue_cell_retrieved_at ON issue (cell, retrieved_at);
CREATE INDEX ix_issue_payload_id ON issue (payload_id);
CREATE INDEX ix_reading_lake_at ON reading (lake, at);
COMMIT;
