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
//	events         chamber, at, kind, plug, body (JSON of policy.Event, or of a switch a short form). Pruned by age.
//	minutes        a view for people's own tools: chamber, place, quantity, start, span (seconds), mean, min, max, n, seconds
//	minute_grains  what minutes shows, as whole numbers of 1/series.per_unit (seconds: of 1/10). Pruned by age.
//	records        part, name, body (JSON). Small values that a part of the program keeps, such as messages to be sent.
//	chambers, series, meta
//
// In minutes, place is chamber or room and quantity as in the configuration, with seconds in range; a plug has its
// name as place, plug_on as quantity, its share of time on as mean and seconds on, or power with watts as mean. Once in
// ten minutes there are also: under place target what was aimed at (min and max are the range, mean the aim; of co2
// mean and max are the most allowed, 0 for no limit); under place learned what was known of the chamber (air changes,
// fan flow, CO2 generation, mist, reservoir; min and max one standard deviation apart from it); under place chamber the
// vapor_pressure_deficit in Pa. The words and units are the constants in series.go. For example
//
//	SELECT date(start, 'unixepoch') AS day, sum(mean * n) / sum(n) AS mean, max(max) FROM minutes
//	WHERE chamber = 'loft' AND place = 'chamber' AND quantity = 'co2' GROUP BY day;
//
// Older rows are wider: minutes are put together to ten of them after 30 days and to hours after 400 (the configuration
// says when), with means weighted by n, the lowest min, the highest max, and n and seconds added up; so a question by
// the hour or the day has the same answer before and after. span says how wide a row is.
//
// The body of a switch is {"on":true,"why":[[code, quantity, value, bound, predicted, for, until, other], …]}, with what
// is empty at the end of a reason left out, for in seconds and until in seconds after the event. For example the switches
// that humidity below its bound made:
//
//	SELECT datetime(at / 1e9, 'unixepoch'), plug, w.value ->> 2 AS value, w.value ->> 3 AS bound
//	FROM events, json_each(body, '$.why') w WHERE kind = 'plug_switched' AND w.value ->> 0 = 'below_aim';
//
// The crop's record is in actions: body holds kind, batch and what was entered, when (for which moment; at where it is
// absent), of (the id of the entry that an undo or a correct is of), amended (what a correction says instead) and
// entries (of an import). What holds is what no undo names; see [policy.Standing].
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
// Measured on x86-64 with a day as in the tests (1,256 events, 8 series of minutes and 11 of ten minutes): 0.61 MB a
// chamber-day at first, of which 0.37 MB history (28 bytes a row); put together to ten minutes that history is 0.10 MB,
// to hours 0.015 MB. A switch takes 26 µs, an action 6 ms (the disk's sync), a thousand snapshots of 4 kB each 42 ms.
//
// Cards wear by what is written: a snapshot rewrites one page of 4 kB in the log for each 4 kB of state, so a chamber
// with that much, saved each second, writes 0.36 GB a day, and once in ten seconds a tenth of that. Save only chambers
// that changed, and minutes several at a time.
package journal
