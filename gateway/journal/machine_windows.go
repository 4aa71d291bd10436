package journal

import "golang.org/x/sys/windows/registry"

// thisMachine names this installation of Windows, or gives "" where that cannot be read.
func thisMachine() string {
	key, err := registry.OpenKey(registry.LOCAL_MACHINE, `SOFTWARE\Microsoft\Cryptography`, registry.QUERY_VALUE|registry.WOW64_64KEY)
	if err != nil {
		return ""
	}
	defer key.Close()
	id, _, err := key.GetStringValue("MachineGuid")
	if err != nil {
		return ""
	}
	return hashMachine(id)
}
