CREATE TABLE meta (key TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;

CREATE TABLE actions (
	seq     INTEGER PRIMARY KEY,
	id      TEXT NOT NULL UNIQUE,
	chamber TEXT NOT NULL,
	at      INTEGER NOT NULL,
	kind    TEXT NOT NULL,
	batch   TEXT NOT NULL,
	body    TEXT NOT NULL,
	sum     INTEGER NOT NULL
);
CREATE INDEX actions_of_chamber ON actions (chamber, seq);

CREATE TABLE snapshots (
	chamber TEXT PRIMARY KEY,
	seq     INTEGER NOT NULL,
	at      INTEGER NOT NULL,
	state   TEXT NOT NULL,
	sum     INTEGER NOT NULL
);

CREATE TABLE switches (
	id      INTEGER PRIMARY KEY,
	chamber TEXT NOT NULL,
	plug    TEXT NOT NULL,
	state   INTEGER NOT NULL,
	at      INTEGER NOT NULL
);

CREATE TABLE events (
	id      INTEGER PRIMARY KEY,
	chamber TEXT NOT NULL,
	at      INTEGER NOT NULL,
	kind    TEXT NOT NULL,
	plug    TEXT NOT NULL,
	body    TEXT NOT NULL
);
CREATE INDEX events_in_time ON events (chamber, at);
CREATE INDEX events_of_plug ON events (chamber, plug, at) WHERE kind = 'plug_switched';

CREATE TABLE chambers (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE);
CREATE TABLE series (
	id       INTEGER PRIMARY KEY,
	chamber  INTEGER NOT NULL REFERENCES chambers (id),
	place    TEXT NOT NULL,
	quantity TEXT NOT NULL,
	per_unit INTEGER NOT NULL,
	UNIQUE (chamber, place, quantity)
);
CREATE TABLE minute_grains (
	chamber INTEGER NOT NULL,
	at      INTEGER NOT NULL,
	series  INTEGER NOT NULL,
	span    INTEGER NOT NULL,
	mean    INTEGER NOT NULL,
	min     INTEGER NOT NULL,
	max     INTEGER NOT NULL,
	n       INTEGER NOT NULL,
	tenths  INTEGER NOT NULL,
	PRIMARY KEY (chamber, at, series)
) WITHOUT ROWID;
CREATE VIEW minutes AS
	SELECT c.name AS chamber, s.place, s.quantity, g.at AS start, g.span, 1.0 * g.mean / s.per_unit AS mean,
		1.0 * g.min / s.per_unit AS min, 1.0 * g.max / s.per_unit AS max, g.n, g.tenths / 10.0 AS seconds
	FROM minute_grains g JOIN series s ON s.id = g.series JOIN chambers c ON c.id = g.chamber;
