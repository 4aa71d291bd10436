package rights

// Ways says how people can sign in. It is told to everybody, so it says nothing of who has an account.
type Ways struct {
	SetUp  bool   `json:"set_up" doc:"nobody looks after accounts yet: the first account is made with the one-time token"`
	OpenID string `json:"openid,omitempty" doc:"the provider that people can sign in at, as it is called; absent: none"`
	Badge  bool   `json:"badge" doc:"people can sign in at a balance with a badge"`
	PIN    bool   `json:"pin" doc:"a badge needs its person's PIN too"`
}
