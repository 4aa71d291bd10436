// Package ldap asks a directory who somebody is: it judges a login and a secret, and says in which groups the person is (LDAP
// version 3, RFC 4511 and 4513). It is one outside.Directory. It keeps nothing: no connection, no secret, no answer; what is
// remembered of a person is gateway/access's business.
//
//	people:
//	  directory:
//	    url: ldaps://directory.example
//	    bind_dn: cn=weighpost,ou=services,dc=seed-bank,dc=example
//	    password: file:/etc/weighpost/directory-password
//	    users: {base: "ou=people,dc=seed-bank,dc=example", filter: "(uid={login})"}
//	    groups:
//	      base: ou=groups,dc=seed-bank,dc=example
//	      roles:
//	      - {group: "cn=weighing,ou=groups,dc=seed-bank,dc=example", roles: [operator]}
//
// What is promised: every question has one limit of time, after which its connection is closed; a connection on which a person
// has bound is not used for anybody else; nothing is sent in clear beyond loopback unless the configuration says so; an answer
// that is too long, cut short or strange is a failure and never a shorter list; secrets are in no error and no log line.
package ldap
