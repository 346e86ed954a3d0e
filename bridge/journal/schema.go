package journal

import (
	"context"
	"database/sql"
	"fmt"
	"strconv"
)

// applicationID marks the file as a gillkeeper journal in the header of the database ("gill" in ASCII).
const applicationID = 0x67696c6c

// migrations lead from an empty file to today's schema, one step for each version. A released step is never changed;
// a new one is added below it. The version is in table meta.
var migrations = []string{
	0: `
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
`,
	1: `
CREATE TABLE records (
	part TEXT NOT NULL,
	name TEXT NOT NULL,
	body TEXT NOT NULL,
	PRIMARY KEY (part, name)
) WITHOUT ROWID;
`,
}

// migrate brings the schema from what the file has to today's, all steps in one transaction.
func migrate(ctx context.Context, c *sql.Conn, from int) error {
	if from == len(migrations) {
		return nil
	}
	steps := []string{"BEGIN IMMEDIATE"}
	steps = append(steps, migrations[from:]...)
	steps = append(steps, "INSERT OR REPLACE INTO meta VALUES ('schema', '"+strconv.Itoa(len(migrations))+"')",
		fmt.Sprintf("PRAGMA application_id = %d", applicationID), "COMMIT")
	for _, s := range steps {
		if _, err := c.ExecContext(ctx, s); err != nil {
			c.ExecContext(ctx, "ROLLBACK") //nolint:errcheck // the first error counts
			return err
		}
	}
	return nil
}

// version reads the schema's version; 0 means an empty database. A database that is not a journal gives an error.
func version(ctx context.Context, c *sql.Conn) (int, error) {
	var id, tables int
	if err := c.QueryRowContext(ctx, "SELECT application_id FROM pragma_application_id").Scan(&id); err != nil {
		return 0, err
	}
	if err := c.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&tables); err != nil {
		return 0, err
	}
	if id == 0 && tables == 0 {
		return 0, nil
	}
	if id != applicationID {
		return 0, damage("it is some other program's database")
	}
	var text string
	if err := c.QueryRowContext(ctx, "SELECT value FROM meta WHERE key = 'schema'").Scan(&text); err != nil {
		return 0, damage("its schema has no version: " + err.Error())
	}
	v, err := strconv.Atoi(text)
	if err != nil || v < 1 {
		return 0, damage("its schema has the version " + strconv.Quote(text))
	}
	if v > len(migrations) {
		return 0, fmt.Errorf("%w: its schema is %d, this program knows %d", ErrNewer, v, len(migrations))
	}
	return v, nil
}
