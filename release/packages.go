package main

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/goreleaser/nfpm/v2"
	"github.com/goreleaser/nfpm/v2/deb"
	"github.com/goreleaser/nfpm/v2/files"
	"github.com/goreleaser/nfpm/v2/rpm"
)

const (
	summary     = "weighings of RS-232 laboratory balances, journalled and delivered"
	description = summary + "\n" +
		"weighpost puts balances that have only an RS-232 port on the network. It reads\n" +
		"every weighing, ties it to person and sample, keeps it in a journal that nobody\n" +
		"can quietly alter, and delivers it to folders, lab systems, brokers and\n" +
		"databases. It does not make a balance fit for trade, nor a lab compliant: local\n" +
		"law, the lab's quality system and qualified people decide."
	// nobody's address: who builds a package for others puts in their own.
	maintainer = "weighpost <weighpost@localhost.localdomain>"
)

// packages writes the deb and the rpm.
func (g goods) packages(work, out string) error {
	version := g.built.packaged()
	for name, makeOne := range map[string]func(string) (nfpm.Packager, *nfpm.Info, error){
		fmt.Sprintf("weighpost_%s-1_%s.deb", version, g.target.deb): g.deb,
		fmt.Sprintf("weighpost-%s-1.%s.rpm", version, g.target.rpm): g.rpm,
	} {
		stage := filepath.Join(work, filepath.Ext(name)[1:])
		if err := os.MkdirAll(stage, 0o755); err != nil {
			return err
		}
		packager, info, err := makeOne(stage)
		if err != nil {
			return err
		}
		if err := write(packager, info, filepath.Join(out, name)); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
	}
	return nil
}

func write(p nfpm.Packager, info *nfpm.Info, name string) error {
	info = nfpm.WithDefaults(info)
	if err := nfpm.PrepareForPackager(info, strings.TrimPrefix(filepath.Ext(name), ".")); err != nil {
		return err
	}
	f, err := os.Create(name)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := p.Package(info, f); err != nil {
		return err
	}
	return f.Close()
}

// about is what both kinds of package say.
func (g goods) about(stage string, isDeb bool) (*nfpm.Info, error) {
	list, err := g.installed(isDeb)
	if err != nil {
		return nil, err
	}
	info := &nfpm.Info{Name: "weighpost", Platform: "linux", Version: g.built.packaged(), VersionSchema: "none", Release: "1", Priority: "optional",
		Section: "science", Maintainer: maintainer, Description: description, License: "Apache-2.0", DisableGlobbing: true, MTime: g.tree.time}
	for i, f := range list {
		source := filepath.Join(stage, fmt.Sprint(i))
		if err := os.WriteFile(source, f.data, 0o644); err != nil {
			return nil, err
		}
		c := &files.Content{Source: source, Destination: f.name, FileInfo: &files.ContentFileInfo{Mode: f.mode, MTime: g.tree.time, Owner: "root", Group: "root"}}
		if f.conf {
			c.Type = files.TypeConfigNoReplace
		}
		info.Contents = append(info.Contents, c)
	}
	return info, nil
}

func (g goods) deb(stage string) (nfpm.Packager, *nfpm.Info, error) {
	info, err := g.about(stage, true)
	if err != nil {
		return nil, nil, err
	}
	info.Arch, info.Deb.Arch = g.target.deb, g.target.deb
	info.Depends = []string{"passwd"} // useradd, where there is no systemd-sysusers
	info.Recommends = []string{"systemd"}
	for to, name := range map[*string]string{&info.Scripts.PreInstall: "deb-preinst", &info.Scripts.PostInstall: "deb-postinst",
		&info.Scripts.PreRemove: "deb-prerm", &info.Scripts.PostRemove: "deb-postrm"} {
		if *to, err = g.tree.script(stage, name); err != nil {
			return nil, nil, err
		}
	}
	return deb.Default, info, nil
}

func (g goods) rpm(stage string) (nfpm.Packager, *nfpm.Info, error) {
	info, err := g.about(stage, false)
	if err != nil {
		return nil, nil, err
	}
	info.Arch, info.RPM.Arch = g.target.rpm, g.target.rpm
	info.Depends = []string{"/bin/sh", "/usr/sbin/useradd"}
	info.RPM.Summary, info.RPM.Group = summary, "Applications/Engineering"
	info.RPM.BuildHost = "localhost" // the name of this computer would make it another package elsewhere
	for to, name := range map[*string]string{&info.Scripts.PostInstall: "rpm-post", &info.Scripts.PreRemove: "rpm-preun",
		&info.Scripts.PostRemove: "rpm-postun"} {
		if *to, err = g.tree.script(stage, name); err != nil {
			return nil, nil, err
		}
	}
	return rpm.DefaultRPM, info, nil
}

// script puts the parts that several scripts share into one of them: @USER@ is scripts/part-user, and so on.
func (tr tree) script(stage, name string) (string, error) {
	text, err := os.ReadFile(filepath.Join(tr.root, "release/scripts", name))
	if err != nil {
		return "", err
	}
	lines := strings.SplitAfter(string(text), "\n")
	for i, l := range lines {
		part := strings.TrimSpace(l)
		if !strings.HasPrefix(part, "@") || !strings.HasSuffix(part, "@") {
			continue
		}
		with, err := os.ReadFile(filepath.Join(tr.root, "release/scripts/part-"+strings.ToLower(strings.Trim(part, "@"))))
		if err != nil {
			return "", err
		}
		lines[i] = string(with)
	}
	file := filepath.Join(stage, name)
	return file, os.WriteFile(file, []byte(strings.Join(lines, "")), 0o755)
}

// debianOnly are the files that Debian's policy asks for: the copyright, and the change that made the package.
func (g goods) debianOnly(doc string) []file {
	copyright := "Format: https://www.debian.org/doc/packaging-manuals/copyright-format/1.0/\nUpstream-Name: weighpost\n\n" +
		"Files: *\nCopyright: 2026 the authors of weighpost\nLicense: Apache-2.0\n On Debian systems its text is in /usr/share/common-licenses/Apache-2.0.\n" +
		"Comment:\n The program holds modules of others. Their licences and notices are in\n " + doc + "/THIRD-PARTY-LICENSES,\n" +
		" and what they are in " + doc + "/sbom.cdx.json.\n"
	changes := fmt.Sprintf("weighpost (%s-1) unstable; urgency=medium\n\n  * Built from the commit %s.\n\n -- %s  %s\n",
		g.built.packaged(), g.tree.commit, maintainer, g.tree.time.Format("Mon, 02 Jan 2006 15:04:05 -0700"))
	return []file{{name: doc + "/copyright", mode: 0o644, data: []byte(copyright)},
		{name: doc + "/changelog.Debian.gz", mode: 0o644, data: g.tree.gzipped([]byte(changes))}}
}
