package learntest

import (
	"strings"

	"weighpost/parsers/layout"
)

// pair is what a balance prints for a load that rests and one that moves.
type pair struct{ rests, moves string }

func (p pair) digits() bool { return strings.ContainsAny(p.rests+p.moves, "0123456789+-") }

// stabilityWords are words that people of the trade would understand, by language.
var stabilityWords = map[string][]pair{
	"en": {{"stable", "unstable"}, {"Stable", "Unstable"}, {"STABLE", "UNSTABLE"}, {"steady", "unsteady"}},
	"de": {{"stabil", "instabil"}, {"Stabil", "Instabil"}, {"stabil", "unstabil"}},
	"fr": {{"stable", "instable"}, {"STABLE", "INSTABLE"}},
	"es": {{"estable", "inestable"}, {"Estable", "Inestable"}},
	"it": {{"stabile", "instabile"}, {"STABILE", "INSTABILE"}},
	"pt": {{"estável", "instável"}},
	"nl": {{"stabiel", "instabiel"}, {"stabiel", "onstabiel"}},
	"sv": {{"stabil", "instabil"}, {"stabil", "ostabil"}},
	"da": {{"stabil", "ustabil"}},
	"fi": {{"vakaa", "epävakaa"}},
	"pl": {{"stabilny", "niestabilny"}, {"STABILNY", "NIESTABILNY"}},
	"cs": {{"stabilní", "nestabilní"}},
}

// stabilityMarks are marks that mean what their maker chose; the generator may turn them round.
var stabilityMarks = []pair{
	{"=", "~"}, {"*", "?"}, {"!", "?"}, {"#", ":"}, {"S", "D"}, {"S", "U"}, {"s", "u"}, {"OK", "--"}, {"ok", ".."}, {"R", "M"}, {"r", "m"},
	{"A", "B"}, {"a", "b"}, {"0", "1"}, {"Q", "X"}, {"K", "L"}, {">", "<"}, {"$", "&"}, {"Z", "Y"}, {"hold", "sway"}, {"still", "wait"}, {"fix", "var"},
	{"rest", "run"}, {"/", "\\"}, {"o", "x"}, {"|", ":"}, {"@", "/"}, {"ii", "jj"}, {"E1", "E2"}, {"\"", "'"}, {"^", "v"},
}

// fixedMarks must not be turned round: somebody who knows the trade would be misled.
var fixedMarks = map[string]bool{"S": true, "s": true, "OK": true, "ok": true, "*": true, "!": true, "hold": true, "still": true, "rest": true, "fix": true, "=": true}

// loneMarks stand beside a blank.
var loneMarks = []string{"*", "!", "#", "=", "~", "?", "S", "@", ">", ":", "ok", "K", "o", "$", "D", "s"}

// kindWords are what a balance prints for gross, net, tare and preset tare ("" for none).
type kindWords struct{ gross, net, tare, preset string }

// knownKinds are the words of the trade, by language.
var knownKinds = map[string][]kindWords{
	"en": {{"gross", "net", "tare", "preset tare"}, {"Gross", "Net", "Tare", ""}, {"GROSS", "NET", "TARE", "PRESET"}, {"", "NET", "", ""}, {"", "net", "", ""}},
	"de": {{"Brutto", "Netto", "Tara", ""}, {"brutto", "netto", "tara", ""}, {"BRUTTO", "NETTO", "TARA", ""}, {"", "Netto", "", ""}},
	"fr": {{"brut", "net", "tare", ""}, {"Brut", "Net", "Tare", ""}},
	"es": {{"bruto", "neto", "tara", ""}, {"BRUTO", "NETO", "TARA", ""}},
	"it": {{"lordo", "netto", "tara", ""}, {"Lordo", "Netto", "Tara", ""}},
	"pt": {{"bruto", "líquido", "tara", ""}},
	"nl": {{"bruto", "netto", "tarra", ""}},
	"sv": {{"brutto", "netto", "tara", ""}},
	"fi": {{"brutto", "netto", "taara", ""}},
	"pl": {{"brutto", "netto", "tara", ""}, {"Brutto", "Netto", "Tara", ""}},
	"cs": {{"brutto", "netto", "tára", ""}},
	"hu": {{"bruttó", "nettó", "tára", ""}},
}

// coinedKinds mean what their maker chose.
var coinedKinds = []kindWords{
	{"W1", "W2", "W3", ""}, {"all", "in", "pan", ""}, {"A", "C", "D", ""}, {"#1", "#2", "#3", ""}, {"full", "seed", "tray", ""}, {"a", "c", "e", ""},
	{"K0", "K1", "K2", ""}, {"ALL", "LOT", "BOX", ""}, {"*", "+*", "-*", ""}, {"x", "y", "z", ""},
}

// letterKinds are single letters that people of the trade may take rightly; nobody has to.
var letterKinds = []kindWords{{"G", "N", "T", ""}, {"B", "N", "T", ""}, {"b", "n", "t", ""}, {"GR", "NT", "TR", ""}}

// beyondWords are printed in place of a weight.
type beyondWords struct{ over, under string }

var knownBeyond = map[string][]beyondWords{
	"en": {{"overload", "underload"}, {"OVERLOAD", "UNDERLOAD"}, {"Overload", "Underload"}, {"over", "under"}, {"OVER", "UNDER"}},
	"de": {{"Überlast", "Unterlast"}, {"ÜBERLAST", "UNTERLAST"}, {"Ueberlast", "Unterlast"}},
	"fr": {{"surcharge", "sous-charge"}, {"SURCHARGE", "SOUS-CHARGE"}},
	"es": {{"sobrecarga", "subcarga"}},
	"it": {{"sovraccarico", "sottocarico"}},
	"pt": {{"sobrecarga", "subcarga"}},
	"nl": {{"overbelasting", "onderbelasting"}},
	"sv": {{"överlast", "underlast"}},
	"fi": {{"ylikuorma", "alikuorma"}},
}

var coinedBeyond = []beyondWords{
	{"^^^^^^", "______"}, {"HHHHH", "LLLLL"}, {"------", "______"}, {"OL", "UL"}, {"EEEEEE", "eeeeee"}, {"++++++", "------"}, {"======", "------"},
	{"FULL", "EMPTY"}, {"****", "...."}, {"H", "L"}, {"///////", "\\\\\\\\\\\\\\"}, {"too much", "too little"},
}

// labels are what stands before a field, by language: known ones first, then ones that say nothing.
type labelSet struct{ weight, sample, person, balance, date, time, counter, count, tare, gross, net string }

var knownLabels = map[string]labelSet{
	"en": {"Weight", "Sample", "Operator", "Balance", "Date", "Time", "No.", "Pieces", "Tare", "Gross", "Net"},
	"de": {"Gewicht", "Probe", "Bediener", "Waage", "Datum", "Zeit", "Nr.", "Stück", "Tara", "Brutto", "Netto"},
	"fr": {"Poids", "Lot", "Opérateur", "Balance", "Date", "Heure", "No", "Pièces", "Tare", "Brut", "Net"},
	"es": {"Peso", "Muestra", "Operador", "Balanza", "Fecha", "Hora", "No.", "Piezas", "Tara", "Bruto", "Neto"},
	"it": {"Peso", "Campione", "Operatore", "Bilancia", "Data", "Ora", "N.", "Pezzi", "Tara", "Lordo", "Netto"},
	"nl": {"Gewicht", "Monster", "Gebruiker", "Balans", "Datum", "Tijd", "Nr.", "Stuks", "Tarra", "Bruto", "Netto"},
	"sv": {"Vikt", "Prov", "Operatör", "Våg", "Datum", "Tid", "Nr", "Antal", "Tara", "Brutto", "Netto"},
	"pl": {"Masa", "Próbka", "Operator", "Waga", "Data", "Czas", "Nr", "Sztuki", "Tara", "Brutto", "Netto"},
}

var coinedLabels = []labelSet{
	{"W", "A1", "A2", "A3", "A4", "A5", "A6", "A7", "X1", "X2", "X3"},
	{"val", "ref", "who", "dev", "day", "clk", "seq", "cnt", "aux1", "aux2", "aux3"},
	{"K", "KA", "KB", "KC", "KD", "KE", "KF", "KL", "KH", "KI", "KJ"},
	{">>", "=>", "->", "::", "d/", "t/", "n/", "c/", "p/", "q/", "r/"},
}

// monthNames are printed in dates.
var monthNames = map[string][]string{
	"en": {"Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"},
	"de": {"Jan", "Feb", "Mrz", "Apr", "Mai", "Jun", "Jul", "Aug", "Sep", "Okt", "Nov", "Dez"},
	"EN": {"JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"},
}

// noiseTexts are lines that balances print and that are no weights.
var noiseTexts = []string{
	"Ready", "Err 3", "Error 07", "E-12", "* calibration *", "Please wait", "warm-up 30 min", "MENU 2-1", "Self test ok", "cal. due", "low battery",
	"Version 2.14", "V 1.03 / 2019", "SN 0048213", "Max 220 g  d=0.1 mg", "Fehler 54", "Justierung", "erreur 12", "--------", "================", "C", "??",
	"Capacity 6200.0 g", "mean   12.3450 g", "s.dev.  0.0002 g", "n = 10", "diff. -0.003 kg", "TEST 1 2 3 4 5 6 7 8 9 0", "ABCDEFGHIJKLMNOPQRSTUVWXYZ",
}

func (w kindWords) of(k layout.Kind) string {
	switch k {
	case layout.KindGross:
		return w.gross
	case layout.KindNet:
		return w.net
	case layout.KindTare:
		return w.tare
	case layout.KindPresetTare:
		return w.preset
	}
	return ""
}
