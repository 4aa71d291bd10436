package ldap

import (
	"fmt"
	"strings"

	goldap "github.com/go-ldap/ldap/v3"
)

const (
	mostGroups = 1000 // groups of one person, nested ones included
	atOnce     = 40   // groups whose groups are asked for in one question

	// ruleInChain is the matching rule that follows an attribute of DNs to any depth, where a directory has it.
	ruleInChain = "1.2.840.113556.1.4.1941"
)

// set of groups, by sameDN, in the order in which they were found.
type set struct {
	seen map[string]bool
	dns  []string
}

// add says whether a group is new. A group that was there already ends a circle.
func (s *set) add(dn string) bool {
	same := sameDN(dn)
	if s.seen[same] {
		return false
	}
	if s.seen == nil {
		s.seen = map[string]bool{}
	}
	s.seen[same] = true
	s.dns = append(s.dns, dn)
	return true
}

// groups gives the DNs of all groups that a person is in.
func (l *link) groups(p person) ([]string, error) {
	g := l.cfg.Groups
	if g.Base == "" {
		return nil, nil
	}
	value := p.dn
	if g.Holds == "login" {
		value = p.login
	}
	switch g.Nested {
	case inChain:
		return l.having([]string{value}, g.Member+":"+ruleInChain+":")
	case memberOf:
		return l.climb(l.within(p.memberOf), l.groupsOfGroup)
	case flat:
		return l.having([]string{value}, g.Member)
	}
	first, err := l.having([]string{value}, g.Member)
	if err != nil {
		return nil, err
	}
	return l.climb(first, func(groups []string) ([]string, error) { return l.having(groups, g.Member) })
}

// climb goes from groups to the groups that those are in, level by level, until there is none that is new. Each group is
// asked for once, so that a circle ends.
func (l *link) climb(level []string, above func([]string) ([]string, error)) ([]string, error) {
	var all set
	for depth := 1; ; depth++ {
		var fresh []string
		for _, dn := range level {
			if all.add(dn) {
				fresh = append(fresh, dn)
			}
		}
		switch {
		case len(fresh) == 0:
			return all.dns, nil
		case depth > l.cfg.Groups.Depth:
			return nil, fmt.Errorf("groups lie within groups more than %d levels deep (groups.depth): %.200s", l.cfg.Groups.Depth, fresh[0])
		case len(all.dns) > mostGroups:
			return nil, errTooManyGroups
		}
		var err error
		if level, err = above(fresh); err != nil {
			return nil, err
		}
	}
}

var errTooManyGroups = fmt.Errorf("the person is in more than %d groups", mostGroups)

// having gives the groups that have one of the values as a member.
func (l *link) having(values []string, attribute string) ([]string, error) {
	var found []string
	for len(values) > 0 {
		n := min(atOnce, len(values))
		entries, err := l.search(l.cfg.Groups.Base, goldap.ScopeWholeSubtree, memberFilter(l.cfg.Groups.Filter, attribute, values[:n]), mostGroups, "1.1")
		if code(err) == goldap.LDAPResultSizeLimitExceeded || len(entries) > mostGroups {
			return nil, fmt.Errorf("no whole list of groups: %w", errTooManyGroups)
		}
		if err != nil {
			return nil, fmt.Errorf("no whole list of groups: %w", plain(err))
		}
		for _, e := range entries {
			found = append(found, e.DN)
		}
		values = values[n:]
	}
	return found, nil
}

func memberFilter(groups, attribute string, values []string) string {
	var b strings.Builder
	b.WriteString("(&" + groups + "(|")
	for _, v := range values {
		b.WriteString("(" + attribute + "=" + goldap.EscapeFilter(v) + ")")
	}
	b.WriteString("))")
	return b.String()
}

// groupsOfGroup reads memberOf of groups, one by one. A group that is not there, or is none, has none.
func (l *link) groupsOfGroup(groups []string) ([]string, error) {
	var found []string
	for _, dn := range groups {
		entries, err := l.search(dn, goldap.ScopeBaseObject, l.cfg.Groups.Filter, 1, "memberOf")
		if code(err) == goldap.LDAPResultNoSuchObject {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("no whole list of groups: %w", plain(err))
		}
		for _, e := range entries {
			found = append(found, l.within(e.GetEqualFoldAttributeValues("memberOf"))...)
		}
	}
	return found, nil
}

// within keeps the groups that lie below the base of groups.
func (l *link) within(dns []string) []string {
	base, err := parseDN(l.cfg.Groups.Base)
	if err != nil {
		return nil
	}
	var kept []string
	for _, text := range dns {
		if dn, err := parseDN(text); err == nil && base.AncestorOfFold(dn) {
			kept = append(kept, text)
		}
	}
	return kept
}

// named gives the groups that the configuration's map names, as it writes them and in its order.
func (c Config) named(dns []string) []string {
	in := map[string]bool{}
	for _, dn := range dns {
		in[sameDN(dn)] = true
	}
	var names []string
	for _, g := range c.Groups.Roles {
		if in[sameDN(g.Group)] {
			names = append(names, g.Group)
		}
	}
	return names
}
