package layout

import "weighpost/parsers/strict"

// source is a layout file as a person writes it. The package doc explains each key.
type source struct {
	About      string            `yaml:"about" desc:"One sentence for people: which balance, which settings."`
	CodePage   string            `yaml:"code_page" enum:"utf-8,latin-1,cp437,cp850" default:"utf-8" desc:"How letters beyond ASCII are sent."`
	Frame      frameSource       `yaml:"frame" desc:"What begins and ends a frame. By default a line end does: CR LF, LF or CR."`
	Line       string            `yaml:"line" desc:"The template of the line."`
	Lines      []lineSource      `yaml:"lines" desc:"Several templates, where the balance prints one of several lines."`
	Block      []lineSource      `yaml:"block" desc:"The templates of a print block's lines, in order."`
	LineLength int               `yaml:"line_length" desc:"How many bytes each line has; any other is refused, half lines among them."`
	Means      meansSource       `yaml:"means" desc:"What every frame means without printing it."`
	Weight     weightSource      `yaml:"weight" desc:"How digits are written."`
	Unit       unitSource        `yaml:"unit" desc:"How units are written."`
	Stability  map[string]string `yaml:"stability" desc:"Printed word to stable, unstable or unknown."`
	Kind       map[string]string `yaml:"kind" desc:"Printed word to gross, net, tare, preset tare or unknown."`
	Range      map[string]string `yaml:"range" desc:"Printed word to in, over or under."`
	Date       dateSource        `yaml:"date" desc:"The order of a printed date."`
	Check      checkSource       `yaml:"check" desc:"How check characters are made and written."`
}

type lineSource struct {
	Line     string      `yaml:"line" desc:"The template of the line."`
	Optional bool        `yaml:"optional" desc:"In a block: the line may be missing."`
	Means    meansSource `yaml:"means" desc:"What the line means without printing it."`
}

type meansSource struct {
	Kind      string `yaml:"kind" enum:"gross,net,tare,preset tare,unknown" desc:"What the weight is of."`
	Stability string `yaml:"stability" enum:"stable,unstable,unknown" desc:"Whether the balance had settled."`
}

type weightSource struct {
	Decimal  string   `yaml:"decimal" enum:"point,comma" default:"point" desc:"What stands before the decimals."`
	Decimals []int    `yaml:"decimals" desc:"How many digits may stand after the decimal sign; a number with others is refused."`
	Grouping string   `yaml:"grouping" enum:"none,space,apostrophe,point,comma" default:"none" desc:"What parts whole digits by threes."`
	Sign     string   `yaml:"sign" enum:"attached,detached,trailing" default:"attached" desc:"Where the sign stands: right before the digits, before blanks, or behind."`
	Brackets string   `yaml:"brackets" enum:"none,square,round,angle" default:"none" desc:"Brackets about the last, auxiliary digits."`
	Over     []string `yaml:"over" desc:"What is printed in place of the weight when there is too much on the pan."`
	Under    []string `yaml:"under" desc:"What is printed in place of the weight when there is too little."`
}

type unitSource struct {
	Words       map[string]string `yaml:"words" desc:"Printed symbol to unit, beside the symbols that mean one unit everywhere."`
	Always      string            `yaml:"always" desc:"The unit of a balance that prints none."`
	Missing     string            `yaml:"missing" enum:"unstable" desc:"The balance prints the unit once the weight is stable: a weight without it is not stable, one with it is."`
	MissingUnit string            `yaml:"missing_unit" desc:"The unit that is meant while it is missing."`
}

type dateSource struct {
	Order   string   `yaml:"order" desc:"The words year, month and day in the printed order, with what is printed between them."`
	Century int      `yaml:"century" desc:"What to add to a year of two digits: 2000."`
	Months  []string `yaml:"months" desc:"The twelve names of the months, where they are printed as words."`
}

type checkSource struct {
	Sum         string `yaml:"sum" desc:"The kind of check, such as xor, sum8 or crc16-modbus."`
	Written     string `yaml:"written" enum:"hex,raw,decimal" default:"hex" desc:"How the check is printed: hexadecimal digits, bytes as they are, or decimal digits."`
	First       string `yaml:"first" enum:"high,low" default:"high" desc:"Which byte of a check of two comes first."`
	CoversStart bool   `yaml:"covers_start" desc:"The frame's start bytes are covered too."`
	CoversEnd   bool   `yaml:"covers_end" desc:"The frame's end bytes are covered too."`
	AfterEnd    bool   `yaml:"after_end" desc:"The check stands after the frame's end bytes and not in the line."`
}

type frameSource struct {
	Ends      []string        `yaml:"ends" desc:"The bytes that end a line, each a way of its own."`
	Start     string          `yaml:"start" desc:"The bytes that begin a frame."`
	End       string          `yaml:"end" desc:"The bytes that end a frame which start began."`
	IdleGap   strict.Duration `yaml:"idle_gap" desc:"The silence that ends a frame."`
	Length    int             `yaml:"length" desc:"The bytes of a frame, where every frame has as many."`
	MaxLength int             `yaml:"max_length" desc:"The longest frame, in bytes."`
	Block     blockSource     `yaml:"block" desc:"What begins and ends a print block."`
}

type blockSource struct {
	First      []string `yaml:"first" desc:"How the first line of a block begins, each a way of its own."`
	Last       []string `yaml:"last" desc:"How the last line of a block begins, each a way of its own."`
	BlankLines int      `yaml:"blank_lines" desc:"How many blank lines in a row end a block."`
	MaxLines   int      `yaml:"max_lines" desc:"The most lines of a block; 64 by default."`
}
