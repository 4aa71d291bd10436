package slapd

import "strings"

// Secret is the secret of everybody in the lab.
const Secret = "correct horse battery"

// Lab is a small seed bank: people, and groups within groups. Weighing holds Germination, which holds Ada; Weighing and Loop
// hold each other, which is a circle; Keepers holds Ben himself.
var Lab = Person("ada", "Ada Example") + Person("ben", "Ben Example") + Person("cy", "Cy Example") +
	Group("germination", "uid=ada,"+People) +
	Group("weighing", "cn=germination,"+Groups, "cn=loop,"+Groups) +
	Group("loop", "cn=weighing,"+Groups) +
	Group("keepers", "uid=ben,"+People) +
	Group("elsewhere", "uid=cy,"+People)

// Person is the LDIF of a person below People, with Secret.
func Person(uid, name string, more ...string) string {
	lines := []string{"dn: uid=" + uid + "," + People, "objectClass: inetOrgPerson", "objectClass: testAccount", "uid: " + uid,
		"cn: " + name, "sn: Example", "userPassword: " + Secret}
	return strings.Join(append(lines, more...), "\n") + "\n\n"
}

// Group is the LDIF of a group below Groups.
func Group(cn string, members ...string) string {
	lines := []string{"dn: cn=" + cn + "," + Groups, "objectClass: groupOfNames", "cn: " + cn}
	for _, m := range members {
		lines = append(lines, "member: "+m)
	}
	return strings.Join(lines, "\n") + "\n\n"
}
