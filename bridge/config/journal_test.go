package config

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// journalAt is a small farm with its journal at a path.
func journalAt(path string) string {
	return "[broker]\nurl = \"mqtt://broker.lan\"\n[journal]\npath = \"" + path + "\"\n" +
		"[[chamber]]\nname = \"loft\"\nvolume_m3 = 0.5\n[[chamber.sensor]]\nquantity = \"co2\"\ntopic = \"loft/co2\"\n"
}

// What can never be a journal is refused where it stands. What may yet come right, as a disk that is away, is only said: a crop
// is kept from memory meanwhile.
func TestWhereTheJournalLies(t *testing.T) {
	const fault, warning = "farm.toml:4: journal.path: ", "farm.toml:4: warning: journal.path: "
	for path, want := range map[string]string{
		"new.db":           "",
		"there.db":         "",
		"/var/lib/loft.db": "",
		"folder":           fault + `names a folder (folder); name a file in it, such as "/farm/folder/gillkeeper.db"`,
		"pipe":             fault + "names what is no regular file (pipe); name a file",
		"there.db/j.db":    fault + "lies below a file (there.db/j.db); /farm/there.db is no folder",
		"there.db/a/j.db":  fault + "lies below a file",
		"gone/j.db":        warning + "lies in a folder that is not there (gone/j.db); make /farm/gone before the daemon starts: without it chambers are kept from memory alone",
		"locked/j.db":      warning + "lies in a folder that this user may not write into (locked/j.db); let the user that runs the daemon write into /farm/locked: ",
		"frozen/j.db":      warning + "lies on a disk that is mounted read-only (frozen/j.db); look at the disk, and mount it for writing: without it chambers",
		"frozen.db":        warning + "lies on a disk that is mounted read-only (frozen.db); look at the disk, and mount it for writing: ",
		"sql://shed/farm":  fault + `is the address of a server (sql://shed/farm); the journal is a file on this machine, such as "gillkeeper.db"`,
		"roots.db":         warning + "names a file that this user may not write (roots.db); let the user that runs the daemon write /farm/roots.db: ",
	} {
		c, found, err := parse(t, journalAt(path))
		if faults, ok := errors.AsType[Faults](err); ok {
			found = faults
		} else if err != nil {
			t.Fatal(err)
		}
		if (c == nil) != strings.HasPrefix(want, fault) {
			t.Errorf("%s: refused is %v", path, c == nil)
		}
		if (len(found) == 0) != (want == "") || want != "" && (len(found) != 1 || !strings.HasPrefix(strings.ReplaceAll(found[0].Error(), `"`+path+`"`, path), want)) {
			t.Errorf("%s: said\n%v\nwant\n%s", path, found, want)
		}
	}
}

// The same on a real disk.
func TestWhereTheJournalLiesOnDisk(t *testing.T) {
	dir := t.TempDir()
	for path, want := range map[string]string{
		"new.db":    "",
		"folder":    "names a folder",
		"gone/j.db": "lies in a folder that is not there",
		"file/j.db": "lies below a file",
	} {
		file := filepath.Join(dir, "file")
		if err := errors.Join(os.MkdirAll(filepath.Join(dir, "folder"), 0o755), os.WriteFile(file, []byte(journalAt(path)), 0o600)); err != nil {
			t.Fatal(err)
		}
		_, found, err := Load(file)
		if faults, ok := errors.AsType[Faults](err); ok {
			found = faults
		} else if err != nil {
			t.Fatal(err)
		}
		if (len(found) == 0) != (want == "") || want != "" && !strings.Contains(found.Error(), want) {
			t.Errorf("%s: said\n%v", path, found)
		}
	}
}

// A journal in a file that is something else is refused: what is no database there would be moved out of its way.
func TestAJournalHasAFileOfItsOwn(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "farm.toml")
	if err := errors.Join(os.Symlink(file, filepath.Join(dir, "link.db")), os.WriteFile(filepath.Join(dir, "token"), []byte("correct horse"), 0o600)); err != nil {
		t.Fatal(err)
	}
	for path, want := range map[string]string{
		"farm.toml":                      "names this configuration",
		"./farm.toml":                    "names this configuration",
		"link.db":                        "names this configuration",
		"token":                          "names a file that this configuration reads",
		"farm.toml.db":                   "",
		filepath.Join(dir, "./token"):    "names a file that this configuration reads",
		filepath.Join(dir, "farm.token"): "",
	} {
		text := strings.Replace(journalAt(path), "[journal]", "[http]\ntoken_file = \"token\"\n[journal]", 1)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		_, _, err := Load(file)
		if want == "" && err != nil || want != "" && (err == nil || !strings.Contains(err.Error(), file+":6: journal.path: "+want)) {
			t.Errorf("%s: %v, want %q", path, err, want)
		}
	}
}
