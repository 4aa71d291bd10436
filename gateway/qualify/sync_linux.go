package qualify

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

func datasync(f *os.File) error { return unix.Fdatasync(int(f.Fd())) }

// Numbers of file systems, from Linux's magic.h (statfs(2)); those that golang.org/x/sys does not name stand here.
const (
	magicZFS = 0x2fc12fc1
	magicNTF = 0x7366746e
)

const (
	inMemory  = "it is in memory, and nothing of it is there after the power is gone"
	onNetwork = "it is on another computer, and a journal belongs on a disk of this one: locks and synchronisation are not dependable over a network"
)

// fileSystem names the file system that a folder is on, and says why a journal must not be there, or "".
func fileSystem(folder string) (name, refused string) {
	var s unix.Statfs_t
	if err := unix.Statfs(folder, &s); err != nil {
		return "not known (" + err.Error() + ")", "it cannot be looked at"
	}
	switch uint32(s.Type) {
	case unix.TMPFS_MAGIC:
		return "tmpfs", inMemory
	case unix.RAMFS_MAGIC:
		return "ramfs", inMemory
	case unix.NFS_SUPER_MAGIC:
		return "nfs", onNetwork
	case unix.CIFS_SUPER_MAGIC, unix.SMB_SUPER_MAGIC, unix.SMB2_SUPER_MAGIC:
		return "a Windows share", onNetwork
	case unix.FUSE_SUPER_MAGIC:
		return "fuse", "what is behind it is not known, and whether it synchronises neither"
	case unix.EXT4_SUPER_MAGIC:
		return "ext4 (or ext2, ext3)", ""
	case unix.XFS_SUPER_MAGIC:
		return "xfs", ""
	case unix.BTRFS_SUPER_MAGIC:
		return "btrfs", ""
	case unix.F2FS_SUPER_MAGIC:
		return "f2fs", ""
	case unix.OVERLAYFS_SUPER_MAGIC:
		return "overlay, as in a container: what is below is not seen from here", ""
	case magicZFS:
		return "zfs", ""
	case magicNTF:
		return "ntfs", ""
	}
	return fmt.Sprintf("number %#x", uint32(s.Type)), ""
}

// system is the name and release of the kernel.
func system() string {
	var n unix.Utsname
	if unix.Uname(&n) != nil {
		return ""
	}
	return ", " + unix.ByteSliceToString(n.Sysname[:]) + " " + unix.ByteSliceToString(n.Release[:])
}
