package setup

import (
	"context"
	"errors"
)

// Person is who stands before the balance: tells them something, asks them something. What is handed over may hold bytes
// that a balance sent: whoever shows it makes it harmless first. Ask is called by one goroutine at a time; Tell may be called
// while Ask waits, and shows its text at once.
type Person interface {
	// Tell shows a text of one line or several. It does not wait.
	Tell(text string)
	// Ask waits for an answer: the Value of one of the choices, or any text where there are none. Where the answer is left
	// empty it is the default. The error is ErrNobody where nobody can answer, or that of ctx.
	Ask(ctx context.Context, q Question) (string, error)
}

// Question is what a person is asked.
type Question struct {
	Key     string   `json:"key"`  // names it for programs, and stays the same between versions
	Text    string   `json:"text"` // for the person
	Choices []Choice `json:"choices,omitempty"`
	Default string   `json:"default,omitempty"` // the answer where none is given; "" where there is none
	// Aside are answers that are allowed at every question, such as to go back. They need not be shown each time.
	Aside []Choice `json:"aside,omitempty"`
}

// Choice is one of the answers that a question allows.
type Choice struct {
	Value string `json:"value"`
	Text  string `json:"text"`
}

// ErrNobody is the answer where there is nobody to ask.
var ErrNobody = errors.New("there is nobody to ask: this is not a terminal, and no answers were piped in")

// Nobody is the person of a program that runs alone: nothing is shown, and nothing is answered.
type Nobody struct{}

// Tell shows nothing.
func (Nobody) Tell(string) {}

// Ask returns ErrNobody.
func (Nobody) Ask(context.Context, Question) (string, error) { return "", ErrNobody }
