package rights

import "time"

// Ways says how people can sign in. It is told to everybody, so it says nothing of who has an account.
type Ways struct {
	SetUp  bool   `json:"set_up" doc:"nobody looks after accounts yet: the first account is made with the one-time token"`
	OpenID string `json:"openid,omitempty" doc:"the provider that people can sign in at, as it is called; absent: none"`
	Badge  bool   `json:"badge" doc:"people can sign in at a balance with a badge"`
	PIN    bool   `json:"pin" doc:"a badge needs its person's PIN too"`
}

// Policy is what the configuration says of secrets, keys and reviews, for whoever has to choose or do something by it. No secret is
// in it, and it says nothing of who has an account.
type Policy struct {
	PasswordMinimum int           // characters of a password at least
	PasswordReuse   int           // so many former passwords cannot be chosen again
	PasswordExpires time.Duration // after which a password has to be changed; 0: never
	PINMinimum      int           // digits of a PIN at least
	KeysFor         time.Duration // how long a program's key is good at most, and is where nothing else is said
	ReviewEvery     time.Duration // how often accounts are to be looked over; 0: it is never said
	ReviewDue       time.Time     // when they are to be looked over next; zero: it is never said
}
