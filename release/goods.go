package main

import (
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
)

// goods is what is delivered for one target.
type goods struct {
	tree     tree
	target   target
	built    built
	told     told
	program  string // its file
	parts    []byte // the SBOM
	licences []byte // of the modules in it
}

// file is one file of an archive or a package.
type file struct {
	name string // with slashes
	mode fs.FileMode
	data []byte
	conf bool // whoever looks after the computer writes it: kept at an upgrade
}

// common is what every archive and package has: the words, and the examples.
func (g goods) common(doc, examples string) ([]file, error) {
	list := []file{
		{name: doc + "/THIRD-PARTY-LICENSES", mode: 0o644, data: g.licences},
		{name: doc + "/sbom.cdx.json", mode: 0o644, data: g.parts},
	}
	for from, to := range map[string]string{"README.md": doc + "/README.md", "configs/commented.yaml": examples + "/commented.yaml",
		"configs/minimal.yaml": examples + "/minimal.yaml", "configs/layouts": examples + "/layouts", "configs/procedures": examples + "/procedures",
		"configs/schemas": examples + "/schemas", "configs/weighpost.schema.json": examples + "/weighpost.schema.json",
		"configs/layout.schema.json": examples + "/layout.schema.json", "configs/procedure.schema.json": examples + "/procedure.schema.json",
		"configs/weighing.schema.json": examples + "/weighing.schema.json", "configs/unread.schema.json": examples + "/unread.schema.json"} {
		more, err := g.tree.files(from, to)
		if err != nil {
			return nil, err
		}
		list = append(list, more...)
	}
	return list, nil
}

// files reads a file or a folder of the tree.
func (tr tree) files(from, to string) (list []file, err error) {
	top := filepath.Join(tr.root, filepath.FromSlash(from))
	err = filepath.WalkDir(top, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(name)
		below, _ := filepath.Rel(top, name)
		list = append(list, file{name: path.Join(to, filepath.ToSlash(below)), mode: 0o644, data: data})
		return err
	})
	return list, err
}

// unpacked is what lies in an archive, below one folder.
func (g goods) unpacked() ([]file, error) {
	list, err := g.common(".", "examples")
	if err != nil {
		return nil, err
	}
	program, err := os.ReadFile(g.program)
	if err != nil {
		return nil, err
	}
	list = append(list, file{name: g.target.exe(), mode: 0o755, data: program})
	licence, err := g.tree.files("LICENSE", "LICENSE")
	if err != nil {
		return nil, err
	}
	list = append(list, licence...)
	if g.target.os != "windows" {
		for shell, script := range g.told.completion {
			list = append(list, file{name: "completion/weighpost." + shell, mode: 0o644, data: script})
		}
		for name, page := range g.told.man {
			list = append(list, file{name: "man/" + name, mode: 0o644, data: page})
		}
	}
	if g.target.os == "linux" {
		for _, name := range []string{"weighpost.service", "weighpost-sysusers.conf", "95-weighpost-serial.rules", "weighpost-keyboard.sh"} {
			more, err := g.tree.files("systemd/"+name, "systemd/"+name)
			if err != nil {
				return nil, err
			}
			list = append(list, more...)
		}
	}
	return sorted(list), nil
}

// installed is what a package puts where, on a system with systemd.
func (g goods) installed(deb bool) ([]file, error) {
	const doc = "/usr/share/doc/weighpost"
	list, err := g.common(doc, doc+"/examples")
	if err != nil {
		return nil, err
	}
	zsh := "/usr/share/zsh/site-functions/_weighpost"
	if deb {
		zsh = "/usr/share/zsh/vendor-completions/_weighpost"
		list = append(list, g.debianOnly(doc)...)
	}
	program, err := os.ReadFile(g.program)
	if err != nil {
		return nil, err
	}
	list = append(list, file{name: "/usr/bin/weighpost", mode: 0o755, data: program},
		file{name: "/usr/share/bash-completion/completions/weighpost", mode: 0o644, data: g.told.completion["bash"]},
		file{name: zsh, mode: 0o644, data: g.told.completion["zsh"]},
		file{name: "/usr/share/fish/vendor_completions.d/weighpost.fish", mode: 0o644, data: g.told.completion["fish"]})
	for name, page := range g.told.man {
		section := strings.TrimPrefix(path.Ext(name), ".")
		list = append(list, file{name: "/usr/share/man/man" + section + "/" + name + ".gz", mode: 0o644, data: g.tree.gzipped(page)})
	}
	for _, f := range []struct{ from, to string }{{"systemd/weighpost-sysusers.conf", "/usr/lib/sysusers.d/weighpost.conf"},
		{"systemd/95-weighpost-serial.rules", "/usr/share/weighpost/95-weighpost-serial.rules"},
		{"systemd/weighpost-keyboard.sh", "/usr/share/weighpost/weighpost-keyboard.sh"}, {"LICENSE", doc + "/LICENSE"},
		{"release/weighpost.yaml", "/etc/weighpost/weighpost.yaml"}} {
		more, err := g.tree.files(f.from, f.to)
		if err != nil {
			return nil, err
		}
		list = append(list, more...)
	}
	for i := range list {
		list[i].conf = strings.HasPrefix(list[i].name, "/etc/")
		if strings.HasSuffix(list[i].name, ".sh") {
			list[i].mode = 0o755
		}
	}
	unit, err := g.tree.unit()
	return sorted(append(list, file{name: "/usr/lib/systemd/system/weighpost.service", mode: 0o644, data: unit})), err
}

// unit is the unit for a program that a package brought; what it says of installing by hand is left out.
func (tr tree) unit() ([]byte, error) {
	text, err := os.ReadFile(filepath.Join(tr.root, "systemd/weighpost.service"))
	if err != nil {
		return nil, err
	}
	const program = "ExecStart=/usr/local/bin/weighpost "
	_, rest, found := strings.Cut(string(text), "\n[Unit]\n")
	if !found || strings.Count(rest, program) != 1 {
		return nil, fmt.Errorf("the unit has no part [Unit] or no %q: look at what changed in systemd/weighpost.service", program)
	}
	return []byte("# weighpost as a system service. To change it: systemctl edit weighpost. A folder that a sink writes to needs ReadWritePaths= there,\n" +
		"# and must belong to the user weighpost.\n\n[Unit]\n" + strings.Replace(rest, program, "ExecStart=/usr/bin/weighpost ", 1)), nil
}

func sorted(list []file) []file {
	slices.SortFunc(list, func(a, b file) int { return strings.Compare(a.name, b.name) })
	return list
}
