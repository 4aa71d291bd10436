package screens

import (
	"net/url"
	"strings"

	"weighpost/gateway/console"
	"weighpost/gateway/record"
)

// stateLooks are the states of a run whose steps are done, each in a word with its shape.
var stateLooks = map[string]fitLook{
	record.RunOpen:        {Word: "under way", Shape: "moving", Class: "said"},
	record.RunComplete:    {Word: "complete, not submitted", Shape: "notice", Class: "said"},
	record.RunAbandoned:   {Word: "abandoned", Shape: "not-said", Class: "said"},
	record.RunInReview:    {Word: "in review", Shape: "sign-sand", Class: "said"},
	record.RunReturned:    {Word: "returned", Shape: "sign-again", Class: "doubt"},
	record.RunReviewed:    {Word: "reviewed, not yet approved", Shape: "sign-two", Class: "said"},
	record.RunApproved:    {Word: "approved", Shape: "well", Class: "good"},
	record.RunReviewAgain: {Word: "needs review again", Shape: "warning", Class: "doubt"},
	record.RunReplaced:    {Word: "replaced", Shape: "not-said", Class: "said"},
	record.RunArchived:    {Word: "archived", Shape: "at-rest", Class: "said"},
}

// stateLook is the state of a run, as a word and a shape.
func stateLook(state string) fitLook {
	if l, ok := stateLooks[state]; ok {
		return l
	}
	return fitLook{Word: spacedWords(state), Shape: "notice", Class: "said"}
}

// stateSays are what each state means, and whose turn it is.
var stateSays = map[string]string{
	record.RunOpen:        "Its steps are not done: it is not reviewed before they are.",
	record.RunComplete:    "Its steps are done. Whoever performed it looks it over and submits it.",
	record.RunAbandoned:   "It was given up before its end, and has no results that count.",
	record.RunInReview:    "It was submitted, and waits for a reviewer.",
	record.RunReturned:    "A reviewer gave it back: whoever performed it answers that, and submits it again.",
	record.RunReviewed:    "A reviewer signed it, and it waits for another person to approve it.",
	record.RunApproved:    "It is signed as the procedure asks for.",
	record.RunReviewAgain: "It changed after it was signed. No signature stands for it as it is now, until it is reviewed again.",
	record.RunReplaced:    "Another run stands for it: do not use its results.",
	record.RunArchived:    "It is closed, and stays as it is.",
}

// flagSays are what each flag means for whoever reviews, by the flags of gateway/review.
var flagSays = map[string]string{
	"not passed":                      "Its verdict is not that it passed, as it stands.",
	"abandoned":                       "It has no results.",
	"weighing excluded":               "A weighing was excluded: see why, and what the results are without it. It shows here too where it is used again.",
	"context amended":                 "Something of what a weighing was tied to was amended.",
	"read anew":                       "What a balance sent is read by another layout than it was at first.",
	"allowed outside limits":          "A value was outside its limits, and somebody let the run go on.",
	"mistake stopped":                 "A wrong scan or another mistake was stopped, and done right afterwards.",
	"step done again":                 "A step was done again: what it found first does not count.",
	"weighing that no step asked for": "A balance weighed something during the run that no step asked for.",
	"item left out":                   "A sample or container of the run was left out.",
	"clock not checked":               "No time server agreed with the clock at one of its weighings.",
	"balance not identified":          "A balance did not say which one it is.",
	"balance not in service":          "A balance was not in service at one of its weighings, or nobody checks it.",
	"slip typed in":                   "A value is from a slip that was typed in later.",
	"affected by a failed check":      "A failed check was judged to affect one of its weighings.",
	"under assessment":                "A failed check covers one of its weighings, and nobody has judged yet whether that affects it.",
}

// flagOrder are the flags in the order in which lists offer them.
var flagOrder = []string{"not passed", "abandoned", "weighing excluded", "context amended", "read anew", "allowed outside limits", "mistake stopped", "step done again",
	"weighing that no step asked for", "item left out", "clock not checked", "balance not identified", "balance not in service", "slip typed in",
	"affected by a failed check", "under assessment"}

// actWords are the acts of a review: what is pressed, and what it comes to.
var actWords = map[string]struct{ Label, Says string }{
	record.ActSubmit:    {"Submit for review", "You have looked it over, and it goes to a reviewer."},
	record.ActReturn:    {"Return it", "It goes back to whoever performed it, with your reason."},
	record.ActReview:    {"Review and sign", "You have reviewed it. Another person approves it afterwards."},
	record.ActApprove:   {"Approve and sign", "It is approved."},
	record.ActReplace:   {"Have another run stand for it", "Its results are not used any more, and stay in the record."},
	record.ActArchive:   {"Archive it", "It is closed. It can be opened again, with a reason."},
	record.ActUnarchive: {"Take it out of the archive", "It is again as it was before it was archived."},
	record.ActLook:      {"I have looked over these entries", "What comes later is marked as new for you. It signs nothing."},
}

// didWords are the same acts, done.
var didWords = map[string]string{
	record.ActSubmit: "submitted it for review", record.ActReturn: "returned it", record.ActReview: "reviewed it", record.ActApprove: "approved it",
	record.ActReplace: "had another run stand for it", record.ActArchive: "archived it", record.ActUnarchive: "took it out of the archive",
	record.ActLook: "looked it over", record.ActDoubt: "needs review again after a failed check",
}

// meansWords are what a signature means (21 CFR 11.50(a)(3)), in the signer's own mouth.
var meansWords = map[string]string{
	record.MeansPerformed: "I have performed this run and looked it over: what is recorded of it is what was done and found.",
	record.MeansReviewed:  "I have reviewed this run, its weighings and its audit trail, and have found it in order.",
	record.MeansApproved:  "I approve this run and its results.",
}

// correctedWords are what a correction changed.
var correctedWords = map[string]string{
	record.CorrectExclude: "excluded", record.CorrectInclude: "used again", record.CorrectAmend: "amended", record.CorrectReread: "read anew",
}

// shownWords say how a signer showed who they are (21 CFR 11.200(a)(1)).
var shownWords = map[string]string{
	record.ShownBoth: "with id and secret", record.ShownSecret: "with the secret", record.ShownOpenID: "anew at the sign-in provider",
}

func wordIn(words map[string]string) func(string) string {
	return func(word string) string {
		if w := words[word]; w != "" {
			return w
		}
		return spacedWords(word)
	}
}

// ofCheck is the page of a check, or of what its failure throws doubt on: b-12/c000017 is a check of b-12.
func ofCheck(id, page string) string {
	balance, _, _ := strings.Cut(id, "/")
	return "/balances/" + url.PathEscape(balance) + "/" + page + "/" + url.PathEscape(checkNumber(id))
}

// reviewFuncs are the words of reviews for templates.
var reviewFuncs = map[string]any{
	"stateLook": stateLook, "stateSays": func(state string) string { return stateSays[state] }, "didWord": wordIn(didWords), "meansWord": wordIn(meansWords),
	"correctedWord": wordIn(correctedWords), "shownWord": wordIn(shownWords), "flagSays": func(flag string) string { return flagSays[flag] },
	"fitWord": lookOf, "checkPath": func(id string) string { return ofCheck(id, "checks") }, "failurePath": func(id string) string { return ofCheck(id, "failures") },
	"correcting": correcting, "listed": func(of string, runs []console.ReviewGlance, mayRead bool) reviewsTable {
		return reviewsTable{of, runs, mayRead}
	},
}
