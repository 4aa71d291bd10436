package learn

import (
	"strings"
	"unicode/utf8"
)

// meaning is what a word says: of the kind, the stability or the range of a weight.
type meaning struct {
	field string // "kind", "stability", "range"
	value string // as a layout's table has it
}

// tradeWord finds a common word of the trade, in any case, with a colon or a full stop behind it. The lists hold what the
// words mean in ordinary dictionaries of their languages and the customary short forms; no maker's codes.
func tradeWord(word string) (meaning, bool) {
	w := strings.ToLower(strings.TrimRight(strings.TrimSpace(word), ".:= "))
	w = strings.Join(strings.Fields(w), " ")
	m, ok := tradeWords[w]
	return m, ok
}

// shortWord finds a mark of one or two letters that is customary and could mean something else: it counts only beside another
// of its family, or where the evidence agrees.
func shortWord(word string) (meaning, bool) {
	m, ok := shortWords[strings.TrimRight(strings.TrimSpace(word), ".:")]
	return m, ok
}

var tradeWords = gather(map[meaning]string{
	{"kind", "net"}: `net, netto, netto gewicht, nettogewicht, net weight, net wt, net wt, poids net, peso neto, peso netto, neto, nett, nt, líquido,
		peso líquido, liquido, nettogewicht, netto masse, nettomasse, netgewicht, masa netto, waga netto, hmotnost netto, čistá hmotnost, čistá,
		nettovikt, nettovægt, nettovekt, nettopaino, netto paino, нетто, net:, nto, tarerat, nettó, nettó súly, καθαρό, neto masa, neto težina, net ağırlık, neto svars, neto kaal, netto súly, greutate netă, netă`,
	{"kind", "gross"}: `gross, brutto, brut, bruto, lordo, gross weight, gross wt, bruttogewicht, poids brut, peso bruto, peso lordo, brutogewicht,
		masa brutto, waga brutto, hmotnost brutto, hrubá hmotnost, hrubá, bruttovikt, bruttovægt, bruttovekt, bruttopaino, брутто, grs, gs, bto, brto, bruttó, bruttó súly, brüt, brüt ağırlık, μικτό, bruto masa, bruto težina, brută, bruto svars, bruto kaal`,
	{"kind", "tare"}: `tare, tara, taara, tarra, tare weight, taragewicht, poids tare, peso tara, taravikt, taara paino, taarapaino, тара, tare wt, tára, dara, απόβαρο, tară, tāra, taravægt, taravekt`,
	{"kind", "preset tare"}: `preset tare, pt, preset, tara manuell, handtara, vorgabetara, tare prédéterminée, tare predeterminee, tare manuelle, tare saisie,
		tara prefijada, tara predeterminada, tara predefinita, tara preimpostata, known tare, tare preset, manual tare, p-tare, p.tare, p tare, handtarra,
		pretare, pre-tare, zadaná tára, förinställd tara, tara predefinida, tara manual, tara manuale`,
	{"stability", "stable"}: `stable, stabil, settled, steady, stab, st, still, at rest, ruhig, ruhe, stillstand, stabile, estable, estável, estavel,
		stabiel, stabilny, stabilní, ustálený, ustáleno, ustálená, stabilt, stilla, vakaa, lepää, rustig, ruhend, eingeschwungen, fermo, reposo, quieto, repos,
		kararlı, stabilan, stabilen, stabilný, stabilus, stabils, stabiilne, σταθερό, nyugalom, nyugodt, stable weight, immobile, в покое, стабильно, stabilna, stabilne, vakio, stbl, ok stable, stable weight, rest, rests, resting`,
	{"stability", "unstable"}: `unstable, unsettled, not settled, not stable, moving, motion, in motion, dynamic, dyn, us, un, unst, unstab, instabil, unruhig, bewegt,
		nicht stabil, in bewegung, bewegung, instable, en mouvement, mouvement, inestable, en movimiento, movimiento, instabile, in movimento, movimento, instável,
		instavel, em movimento, onstabiel, in beweging, beweging, niestabilny, niestabilna, niestabilne, ruch, w ruchu, nestabilní, neustálený, neustáleno, neustálená, v pohybu, pohyb, ostabil, instabilt, rörlig, i rörelse,
		instabil, nem stabil, mozog, kararsız, hareketli, nestabilný, nestabilen, niestab, ασταθές, nestabilus, nestabils, ebastabiilne, liikumine,
		ustabil, ustabilt, i bevegelse, i bevægelse, epävakaa, epävakaa paino, heiluu, liikkuu, liikkeessä, moves, sways, settling, pending, nestabilno, нестабильно, agité, agitato, schwankt, unstable weight`,
	{"range", "over"}: `over, overload, over load, overloaded, ol, too heavy, over range, overrange, over capacity, überlast, ueberlast, uberlast, zu schwer, surcharge,
		trop lourd, sobrecarga, demasiado pesado, sovraccarico, sobrecarregado, overbelasting, te zwaar, przeciążenie, przeciazenie, za ciężki, przetížení, pretizeni, příliš těžké, överlast, overlast, for tung, liian raskas,
		ylikuorma, ylikuormitus, overbelast, sovracarico, troppo pesante, muito pesado, перегрузка, max exceeded, above range, túlterhelés, túlterhelve, aşırı yük, preopterećenje, preobremenitev, suprasarcină, υπερφόρτωση, perkrova, pārslodze, ülekoormus, preťaženie, túl nehéz, te veel, troppo carico, too much, max, sobrepeso, sobre carga`,
	{"range", "under"}: `under, underload, under load, underloaded, ul, too light, under range, underrange, unterlast, zu leicht, sous-charge, souscharge, sous charge, trop léger, subcarga, carga baja,
		sottocarico, troppo leggero, muito leve, onderbelasting, te licht, niedociążenie, niedociazenie, za lekki, nedostatečné zatížení, podtížení, underlast, for lett, liian kevyt, alikuorma, alikuormitus, below range, недогрузка, infracarga, alulterhelés, túl könnyű, düşük yük, too little, sub carga, baixa carga, plateau vide, pan lifted, pan empty`,
})

var shortWords = map[string]meaning{
	"N": {"kind", "net"}, "G": {"kind", "gross"}, "B": {"kind", "gross"}, "T": {"kind", "tare"}, "PT": {"kind", "preset tare"},
	"n": {"kind", "net"}, "g": {"kind", "gross"}, "b": {"kind", "gross"}, "t": {"kind", "tare"},
	"S": {"stability", "stable"}, "U": {"stability", "unstable"}, "D": {"stability", "unstable"}, "M": {"stability", "unstable"},
	"s": {"stability", "stable"}, "u": {"stability", "unstable"}, "d": {"stability", "unstable"}, "m": {"stability", "unstable"},
	"I": {"stability", "unstable"}, "i": {"stability", "unstable"}, "SD": {"stability", "unstable"}, "NS": {"stability", "unstable"},
	"H": {"range", "over"}, "L": {"range", "under"}, "O": {"range", "over"},
}

// gather turns the lists into a table by word.
func gather(lists map[meaning]string) map[string]meaning {
	table := map[string]meaning{}
	for m, list := range lists {
		for _, w := range strings.Split(list, ",") {
			w = strings.Join(strings.Fields(strings.TrimRight(strings.TrimSpace(w), ":.")), " ")
			table[w] = m
		}
	}
	return table
}

// labels are words that say what the text behind them is.
var labels = func() map[string]string {
	table := map[string]string{}
	for field, list := range map[string]string{
		"sample": `lot, lots, sample, sample id, sample no, probe, proben-nr, probennr, charge, batch, échantillon, echantillon, muestra, campione, amostra, monster, próbka, probka, vzorek, prov, næyte, näyte,
			lotto, lote, partie, seria, šarže, sarze, item, article, artikel, artículo, articolo, art, material, prod, product, produkt, erä, parti, los, specimen, barcode, code, seed lot, accession, acc, id, bag, packet, ref`,
		"person": `user, by, operator, op, oper, name, bediener, benutzer, utilisateur, opérateur, operateur, usuario, operario, operador, operatore, utente, utilizador, gebruiker, bruker, bruger, användare, użytkownik,
			uzytkownik, operátor, operatör, operatør, uživatel, käyttäjä, person, clerk, weigher, signed, sign, analyst, tech, staff, weighed by`,
		"balance": `balance, scale, waage, bilancia, báscula, bascula, balanza, balança, weegschaal, waga, váha, vaha, våg, vaaka, vægt, vekt, instrument, device, gerät, geraet, s/n, sn, serial, serial no, serien-nr, ser, machine, station, unit no, bal, bal id, bal no, weigher no, terminal`,
		"range":   `range, bereich, plage, rango, campo, zakres, rozsah, område, alue, bereik, gamme, wr, rng`,
		"counter": `no, nr, n°, num, count, record, rec, seq, lfd, lfd nr, print, line, entry, ticket, beleg, n, #, num., ticket no, item no, weighing, nummer, číslo, numer`,
		"ignore":  `temp, temperature, humidity, capacity, cap, max, min, limit, target, hi, lo, ref weight, d, e, tol, dev`,
		"pieces":  `pcs, pieces, piece, count, qty, stk, stück, stueck, pièces, pieces, piezas, pezzi, peças, stuks, szt, ks, kpl, st, quantity, menge, anzahl, n`,
	} {
		for _, w := range strings.Split(list, ",") {
			if w = strings.Join(strings.Fields(strings.TrimSpace(w)), " "); table[w] == "" {
				table[w] = field
			}
		}
	}
	return table
}()

// labelOf says what kind of text a label announces, or "".
func labelOf(text string) string {
	w := strings.ToLower(strings.Trim(strings.TrimSpace(text), ".:=#-> \t"))
	return labels[strings.Join(strings.Fields(w), " ")]
}

// commaWords are trade words of languages that write a decimal comma, and pointWords of such that write a point.
const pointWords = " net gross tare stable unstable settled overload underload motion "

// pointLanguage says that a trade word is English, or common to English and others.
func pointLanguage(word string) bool {
	return strings.Contains(pointWords, " "+strings.ToLower(word)+" ")
}

// idLike says that a text looks like a name somebody gave: a digit in it, and a letter or a hyphen too, or leading zeros.
func idLike(s string) bool {
	digits, others := 0, 0
	if s != "" && isSign(s[0]) && digitRun([]byte(s[1:])) == len(s)-1 {
		return false // a number with its sign
	}
	for i := range len(s) {
		if isDigit(s[i]) {
			digits++
		} else if isLetter(s[i]) || s[i] == '-' {
			others++
		}
	}
	return digits > 0 && (others > 0 || len(s) > 1 && s[0] == '0') && utf8.RuneCountInString(s) <= 40
}
