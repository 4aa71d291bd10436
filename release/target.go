package main

import (
	"fmt"
	"slices"
	"strings"
)

// target is a system that a program is built for.
type target struct {
	os, arch string
	arm      string // GOARM
	deb, rpm string // what packages call the processor; "": no packages
}

// targets are those of DESIGN.md, section 9.
var targets = []target{
	{os: "linux", arch: "amd64", deb: "amd64", rpm: "x86_64"},
	{os: "linux", arch: "arm64", deb: "arm64", rpm: "aarch64"},
	{os: "linux", arch: "arm", arm: "7", deb: "armhf", rpm: "armv7hl"},
	{os: "windows", arch: "amd64"},
	{os: "darwin", arch: "amd64"},
	{os: "darwin", arch: "arm64"},
}

func (t target) String() string { return t.os + "/" + t.arch }

// name is what a file for it is called.
func (t target) name() string {
	name := t.os + "-" + t.arch
	if t.arm != "" {
		name += "v" + t.arm
	}
	return name
}

// exe is the program's file name.
func (t target) exe() string {
	if t.os == "windows" {
		return "weighpost.exe"
	}
	return "weighpost"
}

func chosen(only string) ([]target, error) {
	if only == "" {
		return targets, nil
	}
	var list []target
	for name := range strings.SplitSeq(only, ",") {
		i := slices.IndexFunc(targets, func(t target) bool { return t.String() == name })
		if i < 0 {
			return nil, fmt.Errorf("there is no target %q: %v", name, targets)
		}
		list = append(list, targets[i])
	}
	return list, nil
}
