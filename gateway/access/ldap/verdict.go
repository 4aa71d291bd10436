package ldap

import (
	"fmt"
	"regexp"

	goldap "github.com/go-ldap/ldap/v3"

	"weighpost/gateway/access/outside"
)

// Errors of a password policy's answer (draft-behera-ldap-password-policy-11, section 6.2).
const (
	policyExpired    = 0
	policyLocked     = 1
	policyMustChange = 2
)

// wrong is ErrWrong, with a sentence for those who read the journal.
func wrong(why string) error { return fmt.Errorf("%w: %s", outside.ErrWrong, why) }

func refused(why string, locked bool) error { return &outside.Refused{Why: why, Locked: locked} }

// verdict turns the directory's answer to a person's bind into one of outside's errors, or nil where the person may come in.
// What it said of the person outweighs the result code. The text of an answer goes into no error but by a pattern: it is the
// directory's own, and may repeat what was sent.
func verdict(policy *goldap.ControlBeheraPasswordPolicy, err error) error {
	if policy != nil && (err == nil || code(err) == goldap.LDAPResultInvalidCredentials) {
		switch policy.Error {
		case policyExpired:
			return refused("the secret has expired in the directory: it must be changed there", false)
		case policyLocked:
			return refused("the account is locked in the directory", true)
		case policyMustChange:
			return refused("the directory wants another secret to be chosen first: it must be changed there", false)
		}
	}
	switch code(err) {
	case -1:
		if err == nil {
			return nil
		}
	case goldap.LDAPResultInvalidCredentials:
		return diagnosis(err)
	case goldap.LDAPResultNoSuchObject, goldap.LDAPResultInvalidDNSyntax:
		return wrong("the directory has nobody of that name")
	case goldap.LDAPResultInappropriateAuthentication:
		return wrong("the account has no secret in the directory")
	case goldap.LDAPResultConstraintViolation:
		return refused("the directory does not let this account try any more", true)
	case goldap.LDAPResultUnwillingToPerform, goldap.LDAPResultInsufficientAccessRights:
		// An answer about this person, not about the directory: several directories say so of accounts that were switched off.
		// Taken for an outage it would open the way for a cached sign-in.
		return refused("the directory does not let this account sign in ("+resultOf(err)+")", false)
	}
	return &outside.Unavailable{Err: fmt.Errorf("no answer about the secret that can be used: %w", plain(err))}
}

// diagnosticData is how some directories tell in the text of invalidCredentials why (common practice; no standard has it).
var diagnosticData = regexp.MustCompile(`\bdata ([0-9a-f]{3,4})\b`)

// diagnosis reads the reason out of the text of invalidCredentials. Whatever is not known is a wrong secret.
func diagnosis(err error) error {
	found := diagnosticData.FindStringSubmatch(err.Error())
	if found == nil {
		return wrong("the directory does not take this secret")
	}
	switch found[1] {
	case "530", "531":
		return refused("the directory does not let this account in at this time, or from this computer", false)
	case "532":
		return refused("the secret has expired in the directory: it must be changed there", false)
	case "533":
		return refused("the account is disabled in the directory", true)
	case "701":
		return refused("the account has expired in the directory", true)
	case "773":
		return refused("the directory wants another secret to be chosen first: it must be changed there", false)
	case "775":
		return refused("the account is locked in the directory", true)
	}
	return wrong("the directory does not take this secret")
}

// resultOf names a result code.
func resultOf(err error) string {
	c := code(err)
	if name, ok := goldap.LDAPResultCodeMap[uint16(c)]; ok && c >= 0 {
		return fmt.Sprintf("%s, result code %d", name, c)
	}
	return fmt.Sprintf("result code %d", c)
}

// plain is an error without the text that the directory put into it, which is its own and may be long or repeat what was sent.
func plain(err error) error {
	if code(err) < 0 {
		return err
	}
	return fmt.Errorf("the directory says %s", resultOf(err))
}
