package main

type backupCommand struct {
	Restore backupRestore `cmd:"" help:"Build a journal from a backup, on this computer or a new one."`
}
