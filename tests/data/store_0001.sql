-- A store as the first version made it, for the test that migrates it.
BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE axes (
	id INTEGER NOT NULL, 
	printer_id INTEGER NOT NULL, 
	axis VARCHAR NOT NULL, 
	steps_per_mm DOUBLE, 
	motor_steps INTEGER, 
	microsteps INTEGER, 
	belt_pitch_mm DOUBLE, 
	pulley_teeth INTEGER, 
	screw_lead_mm DOUBLE, 
	PRIMARY KEY (id), 
	FOREIGN KEY(printer_id) REFERENCES printers (id), 
	UNIQUE (printer_id, axis)
);
INSERT INTO "axes" VALUES(1,1,'X',NULL,200,16,2.0,20,0.0);
INSERT INTO "axes" VALUES(2,1,'Y',NULL,200,16,2.0,20,0.0);
INSERT INTO "axes" VALUES(3,1,'Z',NULL,200,16,0.0,0,8.0);
INSERT INTO "axes" VALUES(4,1,'E',93.0,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE corrections (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	sheet_id INTEGER NOT NULL, 
	printer_id INTEGER NOT NULL, 
	nozzle_id INTEGER, 
	material_id INTEGER, 
	spool_id INTEGER, 
	scope VARCHAR NOT NULL, 
	setting VARCHAR NOT NULL, 
	unit VARCHAR NOT NULL, 
	old DOUBLE, 
	new DOUBLE NOT NULL, 
	u_new DOUBLE NOT NULL, 
	error JSON NOT NULL, 
	verdict VARCHAR NOT NULL, 
	evidence VARCHAR NOT NULL, 
	reason VARCHAR NOT NULL, 
	instead_of VARCHAR NOT NULL, 
	chosen BOOLEAN NOT NULL, 
	kept_at DATETIME NOT NULL, 
	by_version VARCHAR NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(material_id) REFERENCES materials (id), 
	FOREIGN KEY(nozzle_id) REFERENCES nozzles (id), 
	FOREIGN KEY(printer_id) REFERENCES printers (id), 
	FOREIGN KEY(sheet_id) REFERENCES sheets (id), 
	FOREIGN KEY(spool_id) REFERENCES spools (id), 
	UNIQUE (uid)
);
INSERT INTO "corrections" VALUES(1,'82c88e8b80af49fcacc9a5b27e8f48b8',1,1,1,1,1,'spool','extrusion_multiplier','',1.0,0.97,0.01,'{"name": "extrusion_multiplier", "value": -0.030000000000000027, "u": 0.01, "dof": 8.0, "unit": "", "from_data": 1.0}','apply','6 readings of 4 walls','more than the uncertainty','',1,'2026-11-25 08:34:10.757157','unknown');
INSERT INTO "corrections" VALUES(2,'3eb581eeafdc431ba8768fde21f529af',2,1,1,1,1,'spool','extrusion_multiplier','',1.0,0.95,0.01,'{"name": "extrusion_multiplier", "value": -0.050000000000000044, "u": 0.01, "dof": 8.0, "unit": "", "from_data": 1.0}','apply','6 readings of 4 walls','more than the uncertainty','',1,'2026-11-25 08:34:10.771693','unknown');
CREATE TABLE events (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	at DATETIME NOT NULL, 
	printer_id INTEGER, 
	nozzle_id INTEGER, 
	spool_id INTEGER, 
	axis VARCHAR NOT NULL, 
	note VARCHAR NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(nozzle_id) REFERENCES nozzles (id), 
	FOREIGN KEY(printer_id) REFERENCES printers (id), 
	FOREIGN KEY(spool_id) REFERENCES spools (id), 
	UNIQUE (uid)
);
INSERT INTO "events" VALUES(1,'39bd3b199d0340b3b5dec8d2e551f801','moved','2026-11-25 08:34:10.825865',1,NULL,NULL,'','');
CREATE TABLE instruments (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	unit VARCHAR NOT NULL, 
	resolution DOUBLE NOT NULL, 
	mpe DOUBLE NOT NULL, 
	repeatability DOUBLE NOT NULL, 
	jaw_mpe DOUBLE NOT NULL, 
	reach DOUBLE NOT NULL, 
	added_at DATETIME NOT NULL, 
	version INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (name), 
	UNIQUE (uid)
);
CREATE TABLE materials (
	id INTEGER NOT NULL, 
	name VARCHAR NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (name)
);
INSERT INTO "materials" VALUES(1,'PLA');
CREATE TABLE nozzles (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	printer_id INTEGER NOT NULL, 
	bore_mm DOUBLE NOT NULL, 
	line_mm DOUBLE NOT NULL, 
	added_at DATETIME NOT NULL, 
	version INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(printer_id) REFERENCES printers (id), 
	UNIQUE (printer_id, name), 
	UNIQUE (uid)
);
INSERT INTO "nozzles" VALUES(1,'f040c50ee0e74cee9eb3ffb3bc75a2ae','brass',1,0.4,0.0,'2026-11-25 08:34:10.651777',1);
CREATE TABLE printers (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	build_x_mm DOUBLE NOT NULL, 
	build_y_mm DOUBLE NOT NULL, 
	build_z_mm DOUBLE NOT NULL, 
	hot_end_max_c DOUBLE NOT NULL, 
	bed_max_c DOUBLE NOT NULL, 
	layer_mm DOUBLE NOT NULL, 
	filament_mm DOUBLE NOT NULL, 
	added_at DATETIME NOT NULL, 
	version INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (name), 
	UNIQUE (uid)
);
INSERT INTO "printers" VALUES(1,'d8d504cb36344d8f8e599b4d3f19f76e','lantern',220.0,220.0,250.0,260.0,100.0,0.2,1.75,'2026-11-25 08:34:10.614124',1);
CREATE TABLE readings (
	id INTEGER NOT NULL, 
	sheet_id INTEGER NOT NULL, 
	feature VARCHAR NOT NULL, 
	kind VARCHAR NOT NULL, 
	axis VARCHAR NOT NULL, 
	nominal DOUBLE, 
	value DOUBLE NOT NULL, 
	u DOUBLE, 
	PRIMARY KEY (id), 
	FOREIGN KEY(sheet_id) REFERENCES sheets (id)
);
INSERT INTO "readings" VALUES(1,1,'x_outside_low','outside','X',40.0,40.02,NULL);
INSERT INTO "readings" VALUES(2,1,'x_outside_low','outside','X',40.0,40.03,NULL);
INSERT INTO "readings" VALUES(3,1,'x_outside_low','outside','X',40.0,4.00400000000000062545e+01,NULL);
INSERT INTO "readings" VALUES(4,2,'x_outside_low','outside','X',40.0,40.02,NULL);
INSERT INTO "readings" VALUES(5,2,'x_outside_low','outside','X',40.0,40.03,NULL);
INSERT INTO "readings" VALUES(6,2,'x_outside_low','outside','X',40.0,4.00400000000000062545e+01,NULL);
CREATE TABLE sheets (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	keep_key VARCHAR NOT NULL, 
	sheet_sha256 VARCHAR NOT NULL, 
	sheet_text VARCHAR NOT NULL, 
	pattern VARCHAR NOT NULL, 
	piece_id VARCHAR NOT NULL, 
	parameters JSON NOT NULL, 
	keys JSON NOT NULL, 
	printer_id INTEGER NOT NULL, 
	nozzle_id INTEGER, 
	spool_id INTEGER, 
	fit JSON NOT NULL, 
	kept_at DATETIME NOT NULL, 
	by_version VARCHAR NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(nozzle_id) REFERENCES nozzles (id), 
	FOREIGN KEY(printer_id) REFERENCES printers (id), 
	FOREIGN KEY(spool_id) REFERENCES spools (id), 
	UNIQUE (keep_key), 
	UNIQUE (uid)
);
INSERT INTO "sheets" VALUES(1,'e98c458a58974c6b81497480c5ea7c49','e3687324add0358e6162801ef1282152d0ced403a2cceea15d1718caa8fafd44','8fde981cbeab57d7c8f4c5a28c8f43b0a3cc716fa772f2d822ffc1f555bb2ad2','# pattern: dimensional-cube
# piece: a
feature,reading 1
x_outside_low,40.02
','dimensional-cube','a','{"size_mm": "40.0", "chamfer_mm": "0.4", "nozzle_mm": "0.4", "line_mm": "0.45", "layer_mm": "0.2", "build_x_mm": "220.0", "build_y_mm": "220.0", "build_z_mm": "250.0", "hot_end_max_c": "250.0", "bed_max_c": "100.0", "filament_mm": "1.75"}','{"made": "2026-01-02"}',1,1,1,'{"topic": "size"}','2026-11-25 08:34:10.753307','unknown');
INSERT INTO "sheets" VALUES(2,'5f765b49f6414c1da7ca1d1655a07c8e','77f3233f01c23446fbfcd53768a0e76e5a1b751ed87c4767f958ebdd6eb98c55','ac5e676a015bb57f07aeb69ce2b7e8285c0b834c1da53678bdf95af41459fdaa','# pattern: dimensional-cube
# piece: b
feature,reading 1
x_outside_low,40.02
','dimensional-cube','b','{"size_mm": "40.0", "chamfer_mm": "0.4", "nozzle_mm": "0.4", "line_mm": "0.45", "layer_mm": "0.2", "build_x_mm": "220.0", "build_y_mm": "220.0", "build_z_mm": "250.0", "hot_end_max_c": "250.0", "bed_max_c": "100.0", "filament_mm": "1.75"}','{"made": "2026-01-02"}',1,1,1,'{"topic": "size"}','2026-11-25 08:34:10.769925','unknown');
CREATE TABLE spools (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	name VARCHAR NOT NULL, 
	material_id INTEGER NOT NULL, 
	colour VARCHAR NOT NULL, 
	price DOUBLE, 
	grams DOUBLE, 
	density_g_cm3 DOUBLE, 
	filament_mm DOUBLE, 
	added_at DATETIME NOT NULL, 
	version INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(material_id) REFERENCES materials (id), 
	UNIQUE (name), 
	UNIQUE (uid)
);
INSERT INTO "spools" VALUES(1,'34d203f29428469cbfa62566e2282ce9','white-1',1,'white',NULL,1000.0,NULL,NULL,'2026-11-25 08:34:10.684779',1);
CREATE TABLE undos (
	id INTEGER NOT NULL, 
	uid VARCHAR NOT NULL, 
	correction_id INTEGER NOT NULL, 
	at DATETIME NOT NULL, 
	why VARCHAR NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(correction_id) REFERENCES corrections (id), 
	UNIQUE (correction_id), 
	UNIQUE (uid)
);
INSERT INTO "undos" VALUES(1,'95a53528f42e47d49ef5b53d5d294168',2,'2026-11-25 08:34:10.807636','seam');
CREATE INDEX ix_spools_material_id ON spools (material_id);
CREATE INDEX ix_events_printer_id ON events (printer_id);
CREATE INDEX ix_events_spool_id ON events (spool_id);
CREATE INDEX ix_sheets_printer_id ON sheets (printer_id);
CREATE INDEX ix_sheets_spool_id ON sheets (spool_id);
CREATE INDEX corrections_by_material ON corrections (material_id, printer_id, scope, kept_at);
CREATE INDEX corrections_by_printer ON corrections (printer_id, scope, setting);
CREATE INDEX corrections_by_spool ON corrections (spool_id, printer_id);
CREATE INDEX ix_corrections_sheet_id ON corrections (sheet_id);
CREATE INDEX ix_readings_sheet_id ON readings (sheet_id);
COMMIT;
