package learntest

import "weighpost/parsers/layout"

// Truth is what a print says, as a layout would give it: the words are those of layout.Reading.
type Truth struct {
	Digits    string // with a point, ungrouped, the sign in front if one is printed; "" out of range
	Unit      string // the key of the unit: its UCUM code, or our own name
	Kind      layout.Kind
	Stability layout.Stability // unknown where the balance does not print it
	Range     layout.Range
	Auxiliary int // how many of the last digits stand in brackets

	Person, Sample, Balance, Count, Time, RangeNumber string

	Date        string // ISO 8601
	PrintedDate string // as it stands in the line
}

// Sort says what a frame is.
type Sort uint8

// The sorts of frames.
const (
	Weight  Sort = iota // a weight in range, or a result such as pieces
	Beyond              // the balance says over or under in place of a weight
	Noise               // no print of a weight: a banner, an error text, a line that was cut
	Damaged             // a print whose bytes were changed on their way, with check characters that show it
	Wide                // a print whose number has one digit more, in the blank before it
	Half                // a print that lost its beginning or its end, of a balance all of whose lines are as long
)

// Frame is one print, or one piece of noise between prints.
type Frame struct {
	Bytes    []byte
	From, To int  // the part of Bytes between start bytes and ends that is not blank
	Pause    bool // the line was silent before it
	Sort     Sort
	Truth    Truth
	Also     []Truth // other weights in the same print: a gross or a tare beside a net, pieces beside a weight
	Display  string  // what the balance's display showed, such as "-12.3450 g"; "" where nobody would have noted it
	Moving   bool    // the load was still moving

	// May says that a layout learnt from the sample may refuse this frame: it shows something that the sample does not.
	May bool
	// OpenKind and OpenStability say that "unknown" is as right as the truth: the bytes cannot tell.
	OpenKind, OpenStability bool

	features []string // what the print shows: "minus", "unit kg", "unstable" …
	printed  string   // the number as printed
}

// Tells says what the sample's bytes can tell. Where it is false, "unknown" or nothing is right as well.
type Tells struct {
	Stability bool // by known words, or by marks beside loads that move and rest
	Kind      bool // by known words
	Range     bool // over and under, by known words
	DateOrder bool // a day above 12, a name of a month, or the year first
	Ids       bool // samples, persons, balances, counts have labels that people know
}

// Need is something without which no weight can be read, and that the bytes do not say.
type Need uint8

// The needs, one bit each.
const (
	NeedUnit    Need          = 1 << iota // no unit is printed
	NeedSymbol                            // a unit is printed that is unknown
	NeedMeaning                           // the unit's symbol is read differently by different people, such as "oz"
	NeedDecimal                           // a comma may begin decimals or part thousands
	NeedNumber                            // several numbers, and nothing says which is the weight
	AfterAnswer = NeedMeaning             // what a display that shows the same symbol does not tell either
)

// Balance is a made-up balance with what it sent.
type Balance struct {
	Seed    uint64
	Class   string
	Traits  []string
	Frames  []Frame // the sample, then further prints
	Sampled int     // how many of Frames are the sample
	Tells   Tells
	Needs   Need
	Cannot  string // why no layout can describe this balance, or ""
	Manual  Manual
}

// Manual is what a person who has the balance and its manual could answer.
type Manual struct {
	Words     map[string]string // printed word or mark → stable, unstable, gross, net, tare, preset tare, over, under
	Comma     bool              // a comma begins the decimals
	DateOrder string            // of the letters d, m and y; "" where no date is printed
	Check     string            // the kind of check as package sum names it, "none" where there is none or none that it knows
}

// Sample gives the bytes of the sample, and the offsets before which the line was silent.
func (b *Balance) Sample() (bytes []byte, pauses []int) { return join(b.Frames[:b.Sampled]) }

// Stream gives the bytes of all frames, and the offsets before which the line was silent.
func (b *Balance) Stream() (bytes []byte, pauses []int) { return join(b.Frames) }

func join(frames []Frame) (bytes []byte, pauses []int) {
	for _, f := range frames {
		if f.Pause {
			pauses = append(pauses, len(bytes))
		}
		bytes = append(bytes, f.Bytes...)
	}
	return bytes, pauses
}

// Shown gives a frame of the sample whose display a person would have noted: a resting weight, the one that differs most
// from zero. It is -1 where there is none.
func (b *Balance) Shown() int {
	best, most := -1, 0
	for i, f := range b.Frames[:b.Sampled] {
		if f.Sort != Weight || f.Display == "" || f.Moving {
			continue
		}
		if n := significant(f.Truth.Digits); n > most {
			best, most = i, n
		}
	}
	return best
}

// significant counts the digits from the first that is not 0.
func significant(digits string) (n int) {
	for _, c := range digits {
		if c >= '1' && c <= '9' || c == '0' && n > 0 {
			n++
		}
	}
	return n
}
