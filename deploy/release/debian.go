package main

import (
	"compress/gzip"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/goreleaser/nfpm/v2"
	"github.com/goreleaser/nfpm/v2/deb"
	"github.com/goreleaser/nfpm/v2/files"
)

const maintainer = "The gillkeeper authors <gillkeeper@localhost>"

// debian packs a program with its service, its pages and a configuration to start from.
func (b *build) debian(t target, program, docs string) error {
	dir, err := os.MkdirTemp("", "gillkeeper-deb")
	if err != nil {
		return err
	}
	defer os.RemoveAll(dir)
	contents, err := b.contents(program, docs, dir)
	if err != nil {
		return err
	}
	script := func(name string) string { return filepath.Join(b.source, "deploy", "debian", name) }
	info := &nfpm.Info{
		Name: "gillkeeper", Arch: t.debian, Platform: "linux", Version: b.version, Release: "1", VersionSchema: "none",
		Section: "misc", Priority: "optional", Maintainer: maintainer, License: "MIT", MTime: b.when,
		Description: "climate of small mushroom fruiting chambers over MQTT\n" +
			"A bridge between an MQTT broker's sensors and smart plugs: it knows the crop's\n" +
			"stage, works out from physics what the chamber needs, drives humidifier and fan\n" +
			"safely, warns before the reservoir is empty and exposes Prometheus metrics.",
		Overridables: nfpm.Overridables{
			Contents:   contents,
			Recommends: []string{"mosquitto"},
			Suggests:   []string{"prometheus"},
			Scripts:    nfpm.Scripts{PostInstall: script("postinst"), PreRemove: script("prerm"), PostRemove: script("postrm")},
		},
	}
	nfpm.WithDefaults(info)
	if err := nfpm.PrepareForPackager(info, "deb"); err != nil {
		return err
	}
	packager := deb.Default
	f, err := os.Create(filepath.Join(b.out, packager.ConventionalFileName(info)))
	if err != nil {
		return err
	}
	return errors.Join(packager.Package(info, f), f.Close())
}

// contents lists what goes where. Pages are compressed into dir, without time or name, so that the bytes are the same.
func (b *build) contents(program, docs, dir string) (files.Contents, error) {
	var all files.Contents
	add := func(from, to string, mode fs.FileMode, kind string) {
		all = append(all, &files.Content{Source: from, Destination: to, Type: kind, FileInfo: &files.ContentFileInfo{Mode: mode, MTime: b.when, Owner: "root", Group: "root"}})
	}
	here := func(parts ...string) string { return filepath.Join(append([]string{b.source}, parts...)...) }
	add(program, "/usr/bin/gillkeeper", 0o755, "")
	add(here("deploy", "systemd", "gillkeeper.service"), "/lib/systemd/system/gillkeeper.service", 0o644, "")
	add(here("deploy", "debian", "gillkeeper.toml"), "/etc/gillkeeper/gillkeeper.toml", 0o644, files.TypeConfigNoReplace)
	add("", "/etc/gillkeeper/secrets", 0o700, files.TypeDir)
	for from, to := range map[string]string{
		"gillkeeper.bash": "/usr/share/bash-completion/completions/gillkeeper",
		"_gillkeeper":     "/usr/share/zsh/vendor-completions/_gillkeeper",
		"gillkeeper.fish": "/usr/share/fish/vendor_completions.d/gillkeeper.fish",
	} {
		add(filepath.Join(docs, "completions", from), to, 0o644, "")
	}
	for _, section := range []string{"man1", "man5", "man7"} {
		pages, err := filepath.Glob(filepath.Join(docs, section, "*"))
		if err != nil || len(pages) == 0 {
			return nil, fmt.Errorf("there are no manual pages in %s: %w", filepath.Join(docs, section), err)
		}
		for _, p := range pages {
			to := filepath.Join(dir, filepath.Base(p)+".gz")
			if err := compress(p, to); err != nil {
				return nil, err
			}
			add(to, "/usr/share/man/"+section+"/"+filepath.Base(to), 0o644, "")
		}
	}
	const share = "/usr/share/doc/gillkeeper/"
	log := filepath.Join(dir, "changelog.gz")
	if err := compress(here("CHANGELOG.md"), log); err != nil {
		return nil, err
	}
	add(log, share+"changelog.gz", 0o644, "")
	// Debian's own form of a change log, for what is packaged here.
	entry := fmt.Sprintf("gillkeeper (%s-1) stable; urgency=medium\n\n  * See changelog.gz.\n\n -- %s  %s\n", b.version, maintainer, b.when.Format(time.RFC1123Z))
	plain := filepath.Join(dir, "changelog.Debian")
	if err := errors.Join(os.WriteFile(plain, []byte(entry), 0o644), compress(plain, plain+".gz")); err != nil {
		return nil, err
	}
	add(plain+".gz", share+"changelog.Debian.gz", 0o644, "")
	add(here("deploy", "debian", "lintian-overrides"), "/usr/share/lintian/overrides/gillkeeper", 0o644, "")
	add(here("README.md"), share+"README.md", 0o644, "")
	add(here("deploy", "debian", "copyright"), share+"copyright", 0o644, "")
	add(here("deploy", "third-party.md"), share+"third-party.md", 0o644, "")
	// Where README looks for them.
	for _, form := range []string{"*.md", "pictures/*.svg"} {
		found, err := filepath.Glob(here("deploy", "docs", form))
		if err != nil || len(found) == 0 {
			return nil, fmt.Errorf("there is no %s in deploy/docs: %w", form, err)
		}
		for _, from := range found {
			relative, err := filepath.Rel(b.source, from)
			if err != nil {
				return nil, err
			}
			add(from, share+filepath.ToSlash(relative), 0o644, "")
		}
	}
	for _, folder := range []string{"mosquitto", "prometheus"} {
		err := filepath.WalkDir(here("deploy", folder), func(path string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() || strings.HasSuffix(path, ".go") || strings.Contains(path, "test") {
				return err
			}
			relative, err := filepath.Rel(here("deploy"), path)
			add(path, share+"examples/"+filepath.ToSlash(relative), 0o644, "")
			return err
		})
		if err != nil {
			return nil, err
		}
	}
	return all, nil
}

func compress(from, to string) error {
	text, err := os.ReadFile(from)
	if err != nil {
		return err
	}
	f, err := os.Create(to)
	if err != nil {
		return err
	}
	z, err := gzip.NewWriterLevel(f, gzip.BestCompression)
	if err != nil {
		return err
	}
	_, err = z.Write(text)
	return errors.Join(err, z.Close(), f.Close())
}
