// Package journal is what outlasts the process: people's actions, commands, snapshots of chambers, events and the
// history of the air.
//
// It must never decide anything or know what a state means. Start reading at [Journal], then [Open].
//
// # Files
//
// A journal at gillkeeper.db is up to four files, all readable by their owner only:
//
//	gillkeeper.db           the SQLite database, application_id 0x67696c6c
//	gillkeeper.db-wal       its write-ahead log: part of it, to be copied and moved with it
//	gillkeeper.db-shm       index of the log; of no worth without the daemon
//	gillkeeper.db.actions   second copy of people's actions, one line each; it also carries the lock
//
// One process has the files at a time ([ErrLocked]); anybody may read with any SQLite program meanwhile ("sqlite3
// -readonly"). To copy a journal that is in use: VACUUM INTO, or .backup. To start over, move all four away: the
// second copy alone brings the actions back.
//
// # Tables
//
// Times are nanoseconds since 1970 UTC in 64 bits (0: none), but for start and at of minutes, which are seconds. The
// schema's version is in meta under "schema"; migrations run at open, in one transaction. A file of a newer version
// is refused ([ErrNewer]).
//
//	actions        seq, id (unique), chamber, at, kind, batch, body (JSON of policy.Action), sum. Never deleted.
//	snapshots      chamber, seq of the last action applied, at, state (JSON of policy.State), sum. One row a chamber.
//	switches       chamber, plug, state (0 or 1), at. Commands written ahead; deleted by the next snapshot after them.
//	events         chamber, at, kind, plug, body (JSON of policy.Event). Pruned by age.
//	minutes        a view for people's own tools: chamber, place, quantity, start, span (seconds), mean, min, max, n, seconds
//	minute_grains  what minutes shows, as whole numbers of 1/series.per_unit (seconds: of 1/10). Pruned by age.
//	records        part, name, body (JSON). Small values that a part of the program keeps, such as messages to be sent.
//	chambers, series, meta
//
// In minutes, place is chamber or room and quantity as in the configuration, with seconds in range; a plug has its
// name as place, plug_on as quantity, its share of time on as mean and seconds on. For example
//
//	SELECT date(start, 'unixepoch') AS day, sum(mean * n) / sum(n) AS mean, max(max) FROM minutes
//	WHERE chamber = 'loft' AND place = 'chamber' AND quantity = 'co2' GROUP BY day;
//
// sum is a CRC-32C over the row's other columns. A line of the second copy is the CRC-32C of the rest in eight
// hexadecimal digits, a space, and {"seq":…,"chamber":…,"action":…}.
//
// # What is durable when
//
//   - An action: on the disk before [Journal.Act] returns (synchronous=FULL), so it survives a power cut; then once
//     more among the lines. What fails there is made up for at the next opening.
//   - A switch, a snapshot, an event, a minute: with the operating system when the call returns
//     (synchronous=NORMAL). It survives the end of the process at any instruction; a power cut takes what the system
//     had not yet written, usually the last seconds, and leaves the file whole. An action takes everything before it
//     along to the disk.
//
// Telemetry is written in transactions of about 1.5 ms, and [Journal.Switch] and [Journal.Act] go first between
// them. The log is moved into the database by those who write telemetry, while others go on writing, about every 2
// MB.
//
// # What happens on damage
//
// At open the structure (quick_check), the rows of actions and snapshots, and the lines are checked. A file that
// fails, or that is no journal, is renamed to gillkeeper.db.damaged-TIME with its log, never written to again, and a
// fresh one is begun: with the actions of both copies and the snapshots that pass their checksum, so that chambers
// go on as they were. Events and minutes stay in the file set aside. [Opened] says all of it. Bad lines among the
// second copy are set aside in the same way. The same happens when damage shows in a running daemon, or when
// somebody takes the file away: one call fails, saying so, and the next goes to the fresh file.
//
// What is beyond: a power cut may end the log early, which cannot be told from a flipped bit there; events, minutes
// and snapshots of the last seconds to minutes go back without a word, actions do not. A flipped bit inside an
// event's or a minute's number is not noticed.
//
// A disk that is full, read-only or absent fails calls with an error; each later call tries anew, so the journal
// goes on by itself once the disk does. A journal that cannot be read at start cannot give chambers their state:
// whoever keeps chambers must load them before it saves them ([ErrBehind] catches the worst).
//
// # Figures
//
// Measured on x86-64 with a day as in the tests (1,256 events, 8 series of minutes): 0.83 MB a chamber-day, of which
// 0.45 MB events and 0.39 MB minutes (33 bytes a row); a year of minutes of one chamber is 140 MB. A switch takes 26
// µs, an action 6 ms (the disk's sync), a thousand snapshots of 4 kB each 42 ms.
//
// Cards wear by what is written: a snapshot rewrites one page of 4 kB in the log for each 4 kB of state, so a chamber
// with that much, saved each second, writes 0.36 GB a day, and once in ten seconds a tenth of that. Save only chambers
// that changed, and minutes several at a time.
package journal
