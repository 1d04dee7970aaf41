"""Words of the trade in the languages of Europe and the Americas, written down from memory.

Headings: what a concept is called, as sets of words that must all be there, and words that may
stand beside them. A heading of which any word is not understood is not understood at all: a near
miss is never taken for the thing. Cells: which words mean which of the contract's. All words are
compared as :func:`folded`, without case, accents and points.
"""

import re
import unicodedata
from functools import cache

from babel.dates import get_month_names

from pipeline.settings import DISTANCES, LENGTHS


def _in_order(text: str) -> tuple[str, ...]:
    return tuple(text.split())


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


def _alternatives(text: str) -> frozenset[str]:
    return frozenset(" ".join(each.split()) for each in text.split(","))


# Tags of the languages whose words are below; also those whose names of months are read.
LANGUAGES = (
    *("en", "de", "fr", "es", "pt", "it", "nl", "pl", "cs", "sv", "da", "nb", "ro", "hu", "ru"),
)

_LETTERS = str.maketrans({"ß": "ss", "ł": "l", "ø": "o", "æ": "ae", "đ": "d", "ı": "i", "œ": "oe"})
_ABBREVIATED = re.compile(r"(?<![^\W_])([noblru])\s?[/.\\]\s?([sh])\b\.?")
_OF_A_WHEEL = re.compile(r"(?<![^\W_])(?:([no])([/.])(s)\2([fr])|([lr])([/.])(h)\6([fr]))\b\.?")
_SPELLED_OUT = {"ns": "nearside", "os": "offside", "bs": "beide", "lh": "lh", "rh": "rh"}
_TENTHS = re.compile(
    r"(?:(?<![\d/])1\s?/\s?10|(?<!\d)0[.,]1|\btenths?(?: of an?)?|\bzehntel)\s?-?mm\b"
)
_OTHER_PART = re.compile(r"(?<![\d/])(?:1\s?/\s?\d+|0[.,]0*1)(?=\s?(?:mm|in|inch|zoll)\b|\s?\")")
_EITHER = re.compile(r"\bin\s*/\s*(?=[mc]m)")
_NUMBER_SIGN = re.compile(r"\bn\s?°")
_ELIDED = re.compile(r"\b[dl]['’]|['’]s\b")
_THOUSAND = r"(?:1[., '’]?000|['’]000|thousands?|tausend|tsd\.?|tys\.?|tis\.?|тыс\.?)"
_IN_THOUSANDS = re.compile(
    rf"(?:[x×*]\s*|\bin\s+)?(?<!\d){_THOUSAND}\s*(?:of\s+|de\s+)?(km|mi)(?:les)?\b"
    rf"|\b(km|mi)(?:les)?\s*(?:[/x×*(]|\bin\b)\s*(?:in\s+)?{_THOUSAND}(?!\d)"
)
# Words of the north for an odometer: there a mil is ten km, in Spain and Portugal a thousand.
NORTHERN = frozenset({"matarstallning", "vagmatarstallning", "matarstand", "kjorelengde"})
_TOKEN = re.compile(r"[^\W\d_]+|\d+|[\"″”°#%]")


@cache
def folded(text: str) -> str:
    """Without case, accents and letters that only some keyboards have."""
    plain = unicodedata.normalize("NFKD", text.casefold()).translate(_LETTERS)
    return "".join(c for c in plain if not unicodedata.combining(c))


def with_wheels(text: str) -> str:
    """A folded text with the letters of a wheel together: n/s/f is nsf."""
    return _OF_A_WHEEL.sub(r" \1\3\4\5\7\8 ", text)


@cache
def tokens(text: str) -> tuple[str, ...]:
    """Words, whole numbers and signs of a text; n/s, l/h and n/s/f are words."""
    plain = _NUMBER_SIGN.sub("no ", _ELIDED.sub("", folded(text)))
    plain = with_wheels(plain)
    joined = _ABBREVIATED.sub(_spelled_out, plain)
    joined = _IN_THOUSANDS.sub(_of_thousand, re.sub(r"(?<!\d)1/(32|16)\b", r"\1ths", joined))
    joined = _OTHER_PART.sub(" parts ", _TENTHS.sub(" tenthsofmm ", joined))
    joined = _EITHER.sub("in or ", joined)
    joined = re.sub(r"\b(32|16|64)(?:nds?|ths?)\b", r" of\1ths ", joined)
    found = _TOKEN.findall(re.sub(r"of(32|16|64)ths", _spelled, joined))
    spelled_alike = {"″": '"', "”": '"', "#": "no"}
    if not NORTHERN.isdisjoint(found):
        spelled_alike["mil"] = "northernmil"
    return tuple(spelled_alike.get(token, token) for token in found)


def _of_thousand(found: re.Match[str]) -> str:
    return f" t{found.group(1) or found.group(2)} "


def _spelled_out(found: re.Match[str]) -> str:
    letters = found.group(1) + found.group(2)
    return f" {_SPELLED_OUT.get(letters, letters)} "


def _spelled(found: re.Match[str]) -> str:
    return {"32": "thirtyseconds", "16": "sixteenths", "64": "sixtyfourths"}[found.group(1)]


# What a heading may be called: alternatives by comma; every word of one must be there.
LONGEST_KIND = 24  # a cell that is a kind of brake is no sentence
DISC_BRAKES = _alternatives(
    """disc, discs, disk, disc brake, disk brake, air disc, air disc brake, adb, scheibe, scheiben,
    scheibenbremse, scheibenbremsen, disque, disques, frein a disque, freins a disques, disco,
    discos, freno de disco, freio a disco, freno a disco, schijf, schijfrem, tarcza, tarczowy,
    tarczowe, hamulec tarczowy, kotouc, kotoucova, skiva, skivbroms, skive, skivebremse, frana pe
    disc, tarcsa, tarcsafek, диск, дисковый, дисковые"""
)
"""Cells that say a row is of a disc brake, of which nothing here is true; compared as folded."""


def says_disc(cell: str) -> bool:
    """Whether a whole cell is the name of a disc brake."""
    return len(cell) <= LONGEST_KIND and folded(cell).strip(" .-") in DISC_BRAKES


# Words of a line that says from where sides are seen, or axles counted.
_SEEN = _words(
    """seen viewed looking facing gesehen betrachtet blick ansicht vu vue vues vus visto vista
    widok widziane patrzac gezien gekeken pohled pri sett set set"""
)
_FROM = _words("from von depuis de desde od van fra fran da dal dalla zepredu zprzodu di")
_AXLES = _words("axles achsen essieux ejes eixos assi assen osie osi axlar aksler napravy оси")


def turns_round(line: str) -> tuple[bool, bool]:
    """Whether a line says that sides are seen from the front, and that axles are counted from the
    rear."""
    told = [_turned_by(tokens(clause)) for clause in re.split("[,;:]", line)]
    return any(sides for sides, _ in told), any(axles for _, axles in told)


def _turned_by(of: tuple[str, ...]) -> tuple[bool, bool]:
    """The same of a clause: by the end that follows a word for from."""
    ends = {END_OF[word] for i, word in enumerate(of)
            if word in END_OF and _FROM & set(of[max(i - 2, 0) : i])
            and END_OF.keys().isdisjoint(of[max(i - 2, 0) : i])}  # fmt: skip
    words = set(of)
    return "front" in ends and bool(words & _SEEN), "rear" in ends and bool(
        words & (_AXLES | AXLE_WORDS)
    )


# Words before a row that shows how a form is to be filled in, in place of its unit.
_EXAMPLES = _words(
    """example sample beispiel muster exemple ejemplo exemplo esempio voorbeeld przyklad priklad
    exempel eksempel exemplu pelda пример"""
)
# What stands in place of a unit below the rows that it sums up. A unit may be called Max 12, so of
# most of these nothing else stands beside it; after a total, anything may.
SUMMARIES = _words(
    """average averages avg mean median min minimum max maximum sum count stdev std dev of all the
    fleet and durchschnitt durchschnittlich mittelwert mittel schnitt summe summen moyenne mediane
    somme ensemble promedio media suma minimo maximo media somma minimale maximale srednia srednio
    razem lacznie gemiddelde gemiddeld gem som prumer celkem soucet medel medelvarde genomsnitt
    summa gennemsnit gjennomsnitt medie atlag osszesen osszes среднее минимум максимум сумма"""
)
_BESIDE_SUMMARIES = _words("of all the fleet and dev")
_E_G = re.compile(r"(?i)^\W*(?:e\.\s?g|z\.\s?b)\.")  # EG 12 may be a unit
TOTALS = _words(
    """total totals totale totales totaal totaux totalt totalsumme gesamt gesamtsumme insgesamt
    subtotal subtotals zwischensumme итого всего"""
)


@cache
def says_summary(cell: str) -> bool:
    """Whether what stands for a unit says that its row sums up others, or is an example."""
    of = tokens(_E_G.sub("example ", cell))
    if of and of[0] in _EXAMPLES and len(of) < 4:
        return True
    alone = bool(set(of) - _BESIDE_SUMMARIES) and set(of) <= SUMMARIES
    return bool(of) and (alone or _is_total(of))


def _is_total(of: tuple[str, ...]) -> bool:
    return of[0] in TOTALS or of[:2] in {("grand", "total"), ("sub", "total"), ("i", "alt")}


CONCEPTS = {
    "unit_id": """unit, unite, vehicle, vehicle reg, vehicle registration, fleet unit,
        fleet no, fleet nr, veh, kennz, immat, fhrz, fleet number, fleet id, fleet code,
        registration, reg, rego, truck, trailer,
        lorry, bus, coach, power unit, prime mover, semi trailer, semitrailer,
        wagon, tractor, asset, equipment, plate, fahrzeug, kennzeichen, wagen, anhanger, lkw, fzg,
        fahrzeugnummer, fahrzeugnr, fzgnr, wagennummer, wagennr, einheit,
        vehicule, immatriculation, parc, remorque, camion, pojazd, rejestracyjny, boczny, nr rej,
        naczepa, vehiculo, matricula, unidad, economico, placa, placas, remolque, veiculo, frota,
        prefixo, veicolo, targa, automezzo, voertuig, kenteken, wagenpark, vozidlo, spz, rz, navesu,
        fordon, regnr, koretoj, kjoretoy, registreringsnummer, vehicul, inmatriculare, jarmu,
        rendszam, автомобиль, госномер, машина, гос номер, гаражный номер, бортовой номер, тягач,
        прицеп, полуприцеп, kfz, kfz kennzeichen, zugmaschine, sattelzugmaschine, auflieger,
        sattelauflieger, trekker, oplegger, aanhanger, vrachtwagen, tracteur, semi remorque,
        semirremolque, autocarro, mezzo, rimorchio, semirimorchio, ciagnik, przyczepa, tahac,
        prives, lastbil, slapvagn, vogn, vognnr, hgv, autobus""",
    "axle_no": """axle, axles, ax, achse, achsnummer, essieu, eje, eixo, asse, as, asnummer, os,
        naprava, axel, aksel, axa, punte, puntea, tengely, ось""",
    "side": """side, seite, fahrzeugseite, cote, lado, lato, zijde, strona, str, strana, sida,
        siden, oldal, parte lateral, сторона""",
    "position": """axle side, achse seite, essieu cote, eje lado, eixo lado, asse lato, as zijde,
        os strona, naprava strana, axel sida, aksel side, position, wheel position, wheel pos, pos
        roue, wheel, wheel end, pos,
        radposition, rad, roue, position roue, kolo, pozycja kola, posicion, rueda, posicao, roda,
        posizione, ruota, wiel, pozice kola, hjul, hjulposition, roata, kerek, колесо""",
    "date": """date, day, checked, inspected, done, datum, prufdatum, tag, date controle, date
        essai, data, data przegladu, data kontroli, fecha, fecha revision, fecha inspeccion, data
        inspecao, data vistoria, data controllo, keuringsdatum, datum kontroly, kontrolldatum,
        dato, data verificarii, datum kontrole, datum prufung, gepruft, kontrolliert,
        prufung am, kontrolle am, gecontroleerd op, дата, date done, date seen,
        date out, inspected at, checked at, done at, completed at, date time, datetime,
        inspection date, insp date, check date, date inspection, job date, date job, service date,
        reparaturdatum, auftragsdatum, date reparation, data naprawy, fecha trabajo, inspected on,
        completed, completed on, date completed, completion date,
        done on, date of check, checked on, date closed, closed on, finished, finished on, erledigt,
        erledigt am, abgeschlossen am, fertig am, ausgefuhrt am, date cloture, fecha cierre, data
        chiusura, data zakonczenia, avslutad, data pomiaru, messdatum, date mesure, fecha medicion,
        data misura, meetdatum""",
    "week": """week, week no, calendar week, wk, kw, cw, woche, kalenderwoche, semaine, semana,
        settimana, tydzien, tyden, vecka, uke, uge, weeknr, weeknummer, het, неделя""",
    "odometer": """odometer, odo, mileage, clock, clock reading, km reading, odometer reading,
        kilometerstand, kilometrage, compteur, przebieg, stan licznika, licznik, odometro,
        kilometraje, odometre, hodometro, quilometragem, contachilometri, chilometraggio,
        kilometrage stand,
        najezd, stav tachometru, tachometr, matarstallning, vagmatarstallning, matarstand,
        kjorelengde, kilometertal, kilometraj, kmstand,
        stand, tacho, tachostand, tachometerstand, zahlerstand, zahler, laufleistung,
        gesamtkilometer,
        kilometerzahler, tellerstand, kilometerteller, cuentakilometros, lectura odometro,
        releve compteur, hodometre, ajokilometrit, mittarilukema, kilometrinlukema, hubodometer,
        hubometer,
        hub odo, hub odometer,
        пробег, одометр""",
    "lining": """lining, linings, brake linings, belage, bremsbelage, forros, balatas, lonas,
        guarnizioni, voeringen, remvoeringen, brake lining, lining thickness, brake lining
        thickness, lining remaining,
        belag, belagstarke, belagdicke, bremsbelag, bremsbelagstarke, bremsbelagdicke, restbelag,
        garniture, garnitures, epaisseur garniture, epaisseur garnitures, okladzina, okladziny, okl,
        grubosc okladziny, grubosc okladzin, forro, espesor forro, balata, espesor balata, espesor
        guarnicion, lona, espessura lona, guarnizione, spessore guarnizione, ferodo, ferodi,
        spessore ferodo, spessore ferodi, remvoeringdikte, belagdikte, voering, remvoering,
        voeringdikte, oblozeni, tloustka oblozeni, belagg, bromsbelagg, belaggtjocklek, belaegning,
        bremsebelaegning, bremsebelegg, belegg, garnitura, grosime garnitura, ferodou, fekbetet,
        fekbetet vastagsag, накладка, толщина накладки, restbelagstarke, restbelagdicke, espesor
        balatas, espesor forros, espesor guarniciones, espessura lonas, spessore guarnizioni, dikte
        remvoering, dikte voering""",
    "free_stroke": """free stroke, hand stroke, free travel, free play stroke, clevis travel,
        leerhub, leerweg, hub von hand, handhub, course libre, course a vide, skok swobodny, skok
        jalowy, carrera libre, curso livre, corsa libera, corsa a vuoto, vrije slag, volny zdvih,
        frislag, fri slaglangd, frivandring, cursa libera, szabad loket, свободный ход""",
    "applied_stroke": """applied stroke, pushrod applied, push rod applied, hub betatigt, course
        serree, corsa frenata, pushrod stroke, push rod stroke, air stroke, pushrod
        travel, push rod travel, chamber stroke, betatigungshub, kolbenstangenhub, zylinderhub,
        course appliquee, course tige, skok tloczyska, carrera aplicada, carrera vastago, curso
        aplicado, curso haste, corsa applicata, corsa asta, remcilinderslag, zdvih pistnice,
        membranslag, ход штока""",
    "released_stroke": """released stroke, pushrod released, push rod released, released pushrod
        stroke, hub gelost, course relachee, course desserree, carrera liberada, carrera suelta,
        curso liberado, corsa rilasciata, corsa rilascio, slag los, skok zwolniony""",
    "fleet": """fleet, operator, company, customer, client, owner, haulier, carrier, flotte,
        betreiber, firma, unternehmen, kunde, halter, mandant, societe, entreprise, exploitant,
        proprietaire, flota, empresa, cliente, propietario, azienda, vloot, bedrijf, klant,
        eigenaar, klient, wlasciciel, przewoznik, foretag, kund, agare""",
    "stroke": """stroke, travel, hub, course, skok, carrera, curso, corsa, slag, zdvih, slaglangd,
        cursa, loket, ход""",
    "wear_indicator": """wear indicator, wear pointer, pointer, cam pointer, verschleissanzeige,
        verschleissanzeiger, indicateur usure, wskaznik zuzycia, indicador desgaste, indicatore
        usura, slijtage indicator, ukazatel opotrebeni, slitagevisare, slidindikator""",
    "marks_aligned": """marks aligned, marks in line, marks line up, pointer aligned, markierung
        fluchtet, marken fluchten, markierung stimmt, reperes alignes, znaki zgodne, marcas
        alineadas, marcas alinhadas, segni allineati, merktekens gelijk, znacky souhlasi, marken i
        linje, метки совпадают""",
    "return_test": """return test, back off test, adjuster test, slack adjuster test,
        ruckstellprufung,
        nachstellerprufung, essai retour, proba powrotu, prueba retorno, prueba ajustador, teste
        retorno, ajustador teste, prova ritorno, terugsteltest, zkouska navratu, returprov,
        возврат рычага""",
    "cap_state": """grease cap, cap, cap state, dust cap, kappe, fettkappe, schutzkappe, capuchon,
        bouchon, zaslepka, korek, kapturek, tapa, tapon, tampa, tappo, cappuccio, dop, vetdop,
        krytka, cicka, lock smorj, fedthaette, capac, sapka, крышка""",
    "fault": """fault, defect, fault found, fehler, mangel, befund, defaut, usterka, falla, defeito,
        difetto, gebrek, zavada, fel, fejl, feil, defectiune, hiba, неисправность""",
    "inspector": """inspector, fitter, mechanic, seen by, checked by, technician, prufer, monteur,
        mechaniker, controleur, mecanicien, kontroler, mechanik, inspektor, inspetor, mecanico,
        meccanico, ispettore, keurmeester, kontrolor, besiktare, mekaniker, mecanic, szerelo,
        механик""",
    "as_left": "as left, read after work, after work",
    "job": """job, text, kurztext, langtext, positionstext, leistungstext, ausgefuhrte arbeiten,
        durchgefuhrte arbeiten, travail effectue, trabajo realizado, trabajos realizados, servico
        executado, servicos executados, servico realizado, descricao servico, lavoro eseguito,
        lavori eseguiti, lavori, descrizione lavoro, descrizione lavori, uitgevoerde werkzaamheden,
        verrichte werkzaamheden, uitgevoerd werk, omschrijving werkzaamheden, omschrijving werk,
        zakres prac, wykonana praca, opis czynnosci, popis prace, popis praci, provedene prace,
        provedena prace, utfort arbete, utforda arbeten, utfort atgard, job description,
        description, work done, work carried out, travaux effectues,
        opis naprawy, descripcion trabajo, arbeitstext, action, work, repair, task, arbeit,
        arbeiten, tatigkeit, massnahme, reparatur, travaux, travail, intervention, operation,
        opis, opis pracy, opis prac, wykonane prace, czynnosc, naprawa, trabajo, descripcion,
        reparacion, servico, descricao,
        reparo, lavoro, descrizione, riparazione, intervento, werk, omschrijving, werkzaamheden,
        prace, popis, oprava, arbete, atgard, arbejde, arbeid, lucrare, descriere, munka, leiras,
        работа, ремонт""",
    "status": """status, state, auftragsstatus, statut, etat, estado, estatus, situacao, stato,
        stav, allapot, tila, статус""",
    "reason": """reason, cause, grund, ursache, motif, raison, przyczyna, powod, motivo, causa,
        reden,
        oorzaak, duvod, pricina, orsak, arsag, arsak, motiv, причина""",
    "cost": """cost, amount, cost total, total cost, line total, total price, total amount,
        gesamtbetrag, gesamtpreis, prix total, precio total, preco total, importe total,
        totaalbedrag, totaalprijs, kosten, betrag, cout, montant, koszt, kwota,
        costo, coste, importe, custo, valor, importo, bedrag, naklady, castka, kostnad, belopp,
        omkostning, belob, belop, koltseg, osszeg, summe, gesamtsumme, total ht, total ttc, total
        vat, total incl vat, total mwst, total iva, total eur, total usd, total gbp, стоимость""",
    "quantity": """qty, quantity, menge, anzahl, stuckzahl, quantite, qte, cantidad, cant,
        quantidade, qtd, quantita, qta, ilosc, aantal, antal, mnozstvi, количество""",
    "axle_type": """axle type, type of axle, achstyp, achsart, type essieu, typ osi, tipo eje, tipo
        eixo, tipo asse, astype, typ napravy, axeltyp, akseltype, tip axa, tengely tipus, тип
        оси""",
    "arm_length": """arm length, arm, slack arm length, slack arm, slack adjuster length, adjuster
        arm, lever length, hebellange, longueur levier, longueur bras, dlugosc dzwigni, dlugosc
        ramienia, largo brazo, longitud brazo, comprimento alavanca, lunghezza leva, armlengte,
        hevelarmlengte, delka paky, havarmslangd, armlaengde, lungime levier, kar hossz, длина
        рычага""",
    "depot": """depot, site, workshop, branch, garage, standort, niederlassung, werkstatt, agence,
        atelier, oddzial, baza, zajezdnia, taller, base, sucursal, filial, garagem, sede, officina,
        vestiging, stredisko, depa, verkstad, verksted, vaerksted, telephely, депо, филиал""",
    "chamber_size": """chamber size, chamber, chamber type, brake chamber, zylindergrosse,
        bremszylinder, cylindre, silownik, camara, pulmon, cilindro, tamanho camara, remcilinder,
        valec""",
    "lining_new": """lining new, new lining, new lining thickness, belag neu, neue belagstarke,
        garniture neuve, okladzina nowa, forro nuevo, lona nova, guarnizione nuova""",
    "lining_min": """lining minimum, minimum lining, min lining, lining min, minimum lining
        thickness, mindestbelag, mindestbelagstarke, belag min, garniture mini, minimalna okladzina,
        forro minimo, lona minima, guarnizione minima""",
    "duty": "duty, einsatz, einsatzart, utilisation, zastosowanie, servicio, uso, impiego, inzet",
    "from": "from, from date, von, ab, du, od, desde, de data, dal, van, fran, fra",
    "to": "to, to date, until, bis, au, do, hasta, ate, al, tot, till, til",
}
# Words for what is drawn by another vehicle.
TRAILERS = _words(
    """trailer semitrailer anhanger auflieger sattelauflieger remorque semiremorque remolque
    semirremolque reboque semirreboque rimorchio semirimorchio aanhanger oplegger naczepa
    przyczepa naves navesu prives slap slapvagn trailern pahaenger paahengsvagn tilhenger remorca
    semiremorca potkocsi прицеп полуприцеп"""
)
# Words for an odometer that one wheel drives.
HUBS = _words("hub hubodometer hubometer")
# Words that say nothing more beside a concept of that name.
BESIDE = {
    "unit_id": """no number id code nr numer numero nummer num n brake plate interno de der du des
        name""",
    "axle_no": "no number nr numer numero nummer n position de",
    "side": "wheel de del vehicle vehiculo vehicule voertuig fahrzeug pojazdu",
    "position": "no brake bremse",
    "date": """of the de der du da do del della di inspection insp prufung kontrolle controle am on
        le la visit visite
        visita bezoek besok time uhrzeit heure hora""",
    "week": "no nr number of year inspection check prufung numer",
    "odometer": """reading km total current at inspection aktuell actual stand stav
        state value in w en
        em bij bei au a al la de controle kontrolle prufung inspectie inspeccion kontroli""",
    "lining": """brake thickness thk reading measured remaining rest de du des della do da das dos
        van starke frein freins freno frenos freio freios bremse bremsen hamulcowych hamulcowej
        hamulcow restante restantes""",
    "free_stroke": "brake reading measured de",
    "applied_stroke": "brake reading measured de applied",
    "released_stroke": "brake reading measured de pushrod push rod",
    "fleet": "name no code nr nummer number",
    "stroke": "brake reading measured de",
    "wear_indicator": "camshaft reading de",
    "marks_aligned": "",
    "return_test": "result brake automatic de",
    "cap_state": "state brake de",
    "fault": "found",
    "inspector": "name",
    "as_left": "",
    "job": "text of lines line the brake code del",
    "status": "job order work wo of the du de la auftrag workorder zlecenia",
    "reason": "for why job",
    "cost": """net total netto inc incl including ex excl vat mwst ht iva eur euro euros usd gbp pln
        zl czk sek nok dkk chf huf ron brl mxn""",
    "quantity": "of",
    "axle_type": "",
    "arm_length": "adjuster de del de la da do della",
    "depot": "home name",
    "chamber_size": "brake size",
    "lining_new": "brake thickness",
    "lining_min": "brake thickness",
    "duty": "type",
    "from": "",
    "to": "",
}
# Concepts that are measured, and what their unit counts.
MEASURED = {
    **dict.fromkeys(
        ("lining", "free_stroke", "applied_stroke", "released_stroke", "stroke", "arm_length",
         "lining_new", "lining_min"), "length",
    ),
    "odometer": "distance",
    "wear_indicator": "angle",
}  # fmt: skip
# Headings of tables with a row per reading: what was read, how much, and in which unit.
LONG_KINDS = _alternatives(
    """measurement, measured, measure, item, check item, inspection item, parameter, reading type,
    measurement type, type of measurement, type of reading, characteristic, messgrosse, merkmal,
    messung, prufpunkt, mesure, type mesure, type de mesure, parametre, grandeur, parametro,
    medicion, tipo medicion, medicao, tipo medicao, misura, tipo misura, grandezza, parametr,
    pomiar, rodzaj pomiaru, meting, soort meting, mereni, matning, maling, masuratoare, meres,
    измерение, параметр"""
)
LONG_VALUES = _alternatives(
    """value, measured value, reading, reading value, result, wert, messwert, ergebnis, valeur,
    valeur mesuree, resultat, valor, valor medido, resultado, valore, valore misurato, risultato,
    wartosc, wynik, waarde, meetwaarde, hodnota, namerena hodnota, varde, vardi, vaerdi, verdi,
    valoare, ertek, значение, результат"""
)
LONG_UNITS = _alternatives(
    """unit, units, uom, unit of measure, einheit, unite, unidad, unidade, unita, jednostka,
    eenheid, jednotka, enhet, enhed, unitate, egyseg, единица"""
)
# Words for units, as headings and cells have them.
UNITS = {
    "mm": """mm millimeter millimeters millimetre millimetres milimetr milimetry milimetros
        milimetri мм""",
    "cm": "cm centimeter centimetre",
    "in": """in inch inches zoll pouce pouces cal cali pulgada pulgadas pol polegada polegadas
        pollici \"""",
    "32nds": "thirtyseconds",
    "16ths": "sixteenths",
    "10ths": "tenthsofmm",
    "km": """km kms kilometer kilometers kilometre kilometres kilometrow kilometros quilometros
        chilometri kilometru км""",
    "mi": "mi mile miles meilen milles millas milhas miglia mil",
    "10km": "northernmil",
    "1000km": "tkm",
    "1000mi": "tmi",
    "deg": "° deg degree degrees grad degres stopni grados graus gradi graden",
}
UNIT_OF = {word: unit for unit, words in UNITS.items() for word in words.split()}
del UNIT_OF["mil"]  # ten km in Sweden


_PLAIN = re.compile(r"[\w\s.\"″”°]*")


def unit_called(cell: str) -> str | None:
    """The unit that a whole cell is a word for: mm, Zoll, 32nds; None where it is none, or says
    more (mm?), and of 1/32, which may be a number."""
    units = {UNIT_OF.get(token) for token in tokens(cell)} if _PLAIN.fullmatch(cell) else set()
    return units.pop() if len(units) == 1 else None


KINDS = {
    "length": LENGTHS,
    "distance": DISTANCES,
    "angle": ("deg",),
}
PERCENT = _words("% percent pct prozent procent procento pourcent porcentaje")
# Words that make another thing of a reading's name: of another day, a loss, a limit, a part.
NOT_READ_NOW = _words(
    """after nach apres despues depois dopo efter etter dupa
    prev previous last old former earlier next forecast expected planned due target wear worn
    loss lost used change difference diff delta rate average mean min minimum max maximum limit
    allowed new neu neuf nueva nuevo novo nova nowa original nominal type make
    maker brand supplier part batch cost price date day km vorher nachher alt letzte letzter
    verschleiss abnutzung verbraucht usure usee precedent ancien dernier zuzycie poprzedni ostatni
    desgaste anterior ultimo usura precedente slijtage vorige opotrebeni predchozi slitage slid
    foregaende forrige"""
)
# Words that make yes of a heading a no: return test failed, marks not aligned.
NEGATING = _words(
    """not no fail failed failing defect defective missing out off open faulty bad nok nio broken
    misaligned nicht kein fehlt defekt non pas manquant defaut nie brak zle no fallo falla nao falha
    guasto manca niet geen fout inte ej fel ikke fejl feil ne vadny"""
)
# Words for what is gone of a lining, for a reading after work, and for hours of an engine.
GONE = _words(
    """wear worn loss lost used verschleiss abnutzung verbraucht usure usee zuzycie desgaste usura
    slijtage opotrebeni slitage slid"""
)
# Words of headings for a reading before and after work, and what may stand beside these.
STAGES = {
    "before": _alternatives(
        """before, as found, found, vor, vorher, avant, antes, prima, voor, vooraf, przed, pred,
        fore, for, innan, pre, before work"""
    ),
    "after": _alternatives(
        """after, as left, nach, nachher, apres, despues, depois, dopo, na, naderhand, po, efter,
        etter, post"""
    ),
}
BESIDE_STAGES = _words(
    """work works job adjustment adjusting adj repair reparation service arbeit arbeiten reparatur
    einstellung nachstellung der den dem die travaux intervention reglage la les trabajo
    trabajos ajuste reparacion servicio el del servico trabalho reparo lavoro registrazione
    regolazione riparazione il werk afstelling reparatie de het naprawa naprawie naprawa regulacja
    regulacji praca pracy opravou oprave serizenim serizeni arbete justering arbejde arbeid the"""
)
AFTER_WORK = _words("after nach nachher apres despues depois dopo po efter etter dupa")
HOURS = _words(
    """hours hour hrs hr hourmeter betriebsstunden motorstunden stunden std bh heures horas
    horometro ore uren draaiuren bedrijfsuren motogodziny motogodzin mth godziny godzin motohodiny
    hodin timer driftstimer drifttimmar timmar моточасы uzemora"""
)
# Words for what a cost is of: parts, labour, and work given out.
COST_SHARES = (
    _words(
        """parts part material materials teile ersatzteile materialkosten teilekosten pieces piece
        fournitures materiel piezas repuestos refacciones materiales pecas materiais ricambi
        materiali onderdelen materiaal czesci materialy dily reservdelar reservedele"""
    ),
    _words(
        """labour labor lohn lohnkosten arbeit arbeitslohn arbeitskosten oeuvre obra robocizna
        manodopera arbeidsloon arbeidskosten loon arbete arbejdslon prace arbetskostnad arbeid"""
    ),
    _words("sublet subcontract subcontractor fremdleistung fremdleistungen"),
)
# Words for an odometer that say its unit themselves.
SAYS_KM = _words(
    """kilometerstand kilometrage kilometraje quilometragem chilometraggio kmstand kilometertal
    kilometraj"""
)

AXLE_WORDS = _words(
    "axle ax axles achse essieu eje eixo asse os naprava axel aksel axa puntea tengely ось"
)
# Words for an axle only where its number follows: lining as left is of no axle.
AXLES_BEFORE_NUMBERS = {"a", "as"}
# Words of a title, or a sheet's name, that make a day beside them that of the checks below it.
OF_A_VISIT = _words(
    """brake brakes check checks checked inspection inspections inspected visit visits measurement
    measurements reading readings lining linings date day of on the from bremse bremsen
    bremsenprufung bremsprufung bremsenkontrolle bremsenpruefung prufung prufungen kontrolle
    kontrollen messung messungen vom am der den datum besuch frein freins controle controles mesures
    visite visites du le des date freno frenos revision inspeccion control visita fecha el del de
    freio freios inspecao vistoria data em freni controllo controlli hamulce hamulcow kontrola
    przeglad przegladu pomiary dnia z remmen remcontrole keuring op van brzd brzdy mereni ze dne
    bromsar bromskontroll besiktning den bremser bremsekontrol bremsekontroll kontroll"""
)
ORDINALS = {
    **{word: n for n in range(1, 6) for word in (f"{n}st", f"{n}nd", f"{n}rd", f"{n}th")},
    **{"first": 1, "second": 2, "third": 3, "fourth": 4, "erste": 1, "zweite": 2, "dritte": 3},
}
# Words before or after the number of a week, in the countries that count them by ISO 8601.
WEEKS = _words(
    """kw cw wk week w woche kalenderwoche sem semaine s semana settimana sett tydz tydzien tyden
    vecka v uke uge viikko vk het"""
)
SIDES = {
    "L": """left lh leftside lhs links linke linker gauche izquierda izquierdo izq esquerda esquerdo
        esq sinistra sinistro sx lewa lewe lewy lewo leva levy vanster venstre stanga stang bal
        левая левый лев""",
    "R": """right rh rightside rhs rechts rechte rechter droite droit derecha derecho direita
        direito dir destra destro dx prawa prawe prawy prawo prava pravy hoger hojre hoyre dreapta
        drept jobb правая правый прав""",
    "near": "near nearside kerb kerbside curb curbside passenger beifahrerseite beifahrer",
    "off": "off offside driver driverside roadside fahrerseite fahrer",
}
# Words that are a side only beside their counterpart: "der" is an article elsewhere.
SIDE_BESIDE = {
    "der": ("R", _words("izq izquierdo izquierda")),
    "li": ("L", _words("re ld")),
    "re": ("R", _words("li")),
    "le": ("L", _words("ld")),
    "ld": ("R", _words("le li")),
}
SIDE_OF = {word: side for side, words in SIDES.items() for word in words.split()}
# Letters for left and right mean nothing alone: D is right in Paris, and something else elsewhere.
SIDE_LETTERS = (
    *({"l": "L", "r": "R"}, {"l": "L", "p": "R"}, {"g": "L", "d": "R"}, {"s": "L", "d": "R"}),
    *({"i": "L", "d": "R"}, {"e": "L", "d": "R"}, {"b": "L", "j": "R"}, {"л": "L", "п": "R"}),
)
ENDS = {
    "front": """front vorn vorne vorderachse va vooras avant delantero delantera dianteiro
        dianteira anteriore voor przod przednia predni fram foran fata elso передняя""",
    "rear": """rear back hinten hinterachse ha achteras arriere trasero trasera traseiro traseira
        posteriore achter tyl tylna zadni bak bag spate hatso задняя""",
}  # fmt: skip
END_OF = {word: end for end, words in ENDS.items() for word in words.split()}
WHEELS = {  # letters for both the axle and the side, which mean nothing else beside a reading
    "lf": ("front", "L"), "rf": ("front", "R"), "lr": ("rear", "L"), "rr": ("rear", "R"),
    "fl": ("front", "L"), "fr": ("front", "R"), "rl": ("rear", "L"),
    "nsf": ("front", "near"), "osf": ("front", "off"),
    "nsr": ("rear", "near"), "osr": ("rear", "off"),
    "lhf": ("front", "L"), "rhf": ("front", "R"), "lhr": ("rear", "L"), "rhr": ("rear", "R"),
    "vl": ("front", "L"), "vr": ("front", "R"), "hl": ("rear", "L"), "hr": ("rear", "R"),
    "linksvoor": ("front", "L"), "rechtsvoor": ("front", "R"), "linksachter": ("rear", "L"),
    "rechtsachter": ("rear", "R"),
    "avg": ("front", "L"), "avd": ("front", "R"), "arg": ("rear", "L"), "ard": ("rear", "R"),
}  # fmt: skip
SIDE_PHRASES = {("near", "side"): "near", ("off", "side"): "off", ("left", "hand"): "L",
                ("right", "hand"): "R", ("left", "side"): "L", ("right", "side"): "R",
                ("kerb", "side"): "near", ("curb", "side"): "near", ("driver", "side"): "off",
                ("road", "side"): "off", ("passenger", "side"): "near"}  # fmt: skip
# Words for the two ends, or the two shoes, of a brake's linings: nothing without their counterpart.
LINING_END_PAIRS = frozenset(
    tuple(sorted(pair.split()))
    for pair in (
        *("inner outer", "inside outside", "inboard outboard", "upper lower", "top bottom"),
        *("leading trailing", "primary secondary", "innen aussen", "oben unten"),
        *("auflaufend ablaufend", "auflaufende ablaufende", "auflaufbacke ablaufbacke"),
        *("primaire secondaire", "comprimee tendue", "primaria secundaria", "primario secundario"),
        *("primaria secondaria", "primario secondario", "oplopend aflopend", "primar sekundar"),
        *("oplopende aflopende", "wspolbiezna przeciwbiezna", "nabezna ubezna"),
        *("interieur exterieur", "superieur inferieur", "interior exterior", "superior inferior"),
        *("interno esterno", "superiore inferiore", "interno externo", "boven onder"),
        *("sup inf", "ob unt", "upr lwr", "o u"),
        *("gorna dolna", "gora dol", "inre yttre", "ovre nedre", "horni dolni"),
    )
)
LINING_ENDS = frozenset(word for pair in LINING_END_PAIRS for word in pair)
BOTH = _words(
    "both bs beide beidseitig beidseits deux obie obu ambos ambas ambi entrambi oba bada begge"
)

CHECK_MARKS = frozenset("✓✔")
# Words of cells, by contract column and by what they stand for there. Alternatives by comma.
CELL_WORDS = {
    "bool": {
        "yes": """yes, y, true, x, ✓, ✔, ja, j, oui, o, tak, t, si, s, sim, ano, da, igen, да, ok,
            aligned""",
        "no": """no, n, false, ✗, ✘, nein, non, nie, nao, ne, nee, nej, nei, nem, nu, нет,
            not aligned""",
    },
    "as_left": {
        "yes": """after, as left, post, nach, nachher, apres, despues, depois, dopo, na, po, efter,
            etter, utan, после, after adjustment, after work, after repair""",
        "no": """before, as found, pre, vor, vorher, avant, antes, prima, voor, przed, pred, fore,
            for, elott, до, before adjustment, before work, before repair""",
    },
    "return_test": {
        "pass": """pass, passed, p, ok, okay, good, yes, y, true, satisfactory, ✓, ✔,
            i o, io, in ordnung, bestanden, gut, ja,
            conforme, bon, bonne, oui, dobry, dobra, dobrze, sprawny, pozytywny, tak, bueno,
            buena, bien, aprobado, si, bom, boa, aprovado, sim, buono, positivo, goed, goedgekeurd,
            vyhovuje, dobre, ano, godkand, godkendt, godkjent, bun, corespunde, megfelelt, jo,
            исправен, годен, норма""",
        "fail": """fail, failed, bad, no, n, false, unsatisfactory, ✗, ✘,
            not ok, n i o, nio, nicht i o, nicht in ordnung, nicht
            bestanden, schlecht, defekt, nein, non conforme, nc, mauvais, mauvaise, non, zly, zla,
            zle, niesprawny, negatywny, nie, malo, mala, rechazado, ruim, reprovado, nao, negativo,
            slecht, afgekeurd, nevyhovuje, spatne, ne, underkand, ikke godkendt, ikke godkjent, rau,
            necorespunzator, nem felelt meg, неисправен, негоден""",
    },
    "cap_state": {
        "seated": """seated, ok, closed, fitted, in place, on, shut, i o, zu, geschlossen, sitzt,
        ferme,
            en place, zamkniety, zamknieta, na miejscu, cerrada, puesta, fechada, fechado, chiuso,
            dicht, gesloten, nasazena, sitter, lukket, inchis, zarva, закрыта""",
        "open": """open, off, offen, ouvert, ouverte, otwarty, otwarta, abierta, abierto, aberta,
            aberto, aperto, otevrena, oppen, aben, apen, deschis, nyitva, открыта""",
        "missing": """missing, gone, none, lost, fehlt, manquant, manque, brak, falta, faltando,
            manca, mancante, ontbreekt, weg, chybi, saknas, mangler, lipsa, hianyzik,
        отсутствует""",
    },
    "action": {
        "reline": """reline, relined, relining, new linings, linings renewed, belag neu, belage neu,
            belagwechsel, neu belegt, garnitures neuves, remplacement garnitures, wymiana okladzin,
            cambio forros, cambio balatas, troca lonas, sostituzione guarnizioni, voeringen
            vernieuwd, vymena oblozeni, nya belagg, замена накладок""",
        "adjuster_replaced": """adjuster replaced, adjuster renewed, slack adjuster replaced, slack
            adjuster renewed, new slack adjuster, gestangesteller erneuert, gestangesteller
            gewechselt, gestangesteller neu, regleur remplace, levier remplace, wymiana
            samoregulatora, ajustador cambiado, ajustador trocado, registratore sostituito""",
        "adjuster_set": """adjuster set, adjusted, brake adjusted, adjuster adjusted, reset,
            eingestellt, nachgestellt, gestangesteller eingestellt, regle, reglage, regulacja,
            ajustado, ajuste, regulagem, registrato, registrazione, afgesteld, serizeno,
        justerad""",
        "greased": """greased, grease, lubed, lubricated, geschmiert, abgeschmiert, abschmieren,
            graisse, graissage, smarowanie, nasmarowano, engrasado, engrase, lubricado, lubrificado,
            ingrassato, ingrassaggio, gesmeerd, doorgesmeerd, namazano, smorjning, smurt, uns,
            смазка""",
        "drum_replaced": """drum replaced, drum renewed, new drum, trommel neu, trommel gewechselt,
            trommel erneuert, tambour remplace, tambour neuf, wymiana bebna, cambio tambor, troca
            tambor, tamburo sostituito, trommel vervangen, vymena bubnu""",
        "other": "other, misc, sonstiges, andere, autre, divers, inne, otro, otros, outro, altro",
    },
    "reason": {
        "failed": """failed, fail, defect, defective, us, u s, faulty, defekt, kaputt, ausgefallen,
            defectueux, hs, panne, niesprawny, awaria, fallo, falla, falha, guasto, kapot, vadny,
            trasig, неисправен""",
        "worn": """worn, wear, worn out, verschlissen, verschleiss, abgenutzt, use, usee, usure,
        zuzyty,
            zuzyte, zuzycie, gastado, desgaste, desgastado, gasto, usurato, usura, versleten,
            slijtage, opotrebeni, sliten, slitage, износ""",
        "planned": """planned, scheduled, service, preventive, planmassig, geplant, wartung,
        planifie,
            prevu, preventif, planowy, planowa, planowe, programado, preventivo, planejado,
            programmato, gepland, planovane, planerad, planlagt, planificat, tervezett, плановый""",
        "damaged": """damaged, damage, broken, beschadigt, schaden, endommage, casse, uszkodzony,
            uszkodzone, danado, roto, danificado, quebrado, danneggiato, rotto, beschadigd,
            poskozeny, skadad, beskadiget, deteriorat, повреждён""",
        "other": "other, sonstiges, andere, autre, inne, otro, outro, altro",
    },
}  # fmt: skip

# What a shoe's thickness is called: with its lining, or that alone, as nothing says.
THICKNESS = _words(
    "thickness thick thk dicke starke epaisseur espesor espessura spessore dikte grubosc tloustka"
)

# Job lines. Alternatives by bar or space, * any ending. What work is done on:
_LININGS = """lining linings belag belage belagen bremsbelag bremsbelage bremsbelagen belagsatz
    bremsbelagsatz garniture garnitures okladzina okladziny okladzin okladzine forro forros balata
    balatas lonas guarnizione guarnizioni ferodo ferodi ferodos voering voeringen remvoering
    remvoeringen oblozeni belagg belaggen bromsbelagg bromsbelaggen belaegning belaegninger
    bremsebelaegning bremsebelaegninger bremsebelaeg belegg bremsebelegg bremsebeleggene garnituri
    garniturile fekbetet fekbetetek накладк* накладок"""
# New shoes come lined, so that new shoes are a reline: common practice, no source.
_SHOES = """shoe shoes brakeshoe brakeshoes backe backen bremsbacke bremsbacken machoire machoires
    zapata zapatas sapata sapatas ganascia ganasce szczeka szczeki szczek remschoen remschoenen
    celist celisti bromsback bromsbackar bromsbackarna bremsesko bremsebakke bremsebakker sabot
    saboti sabotii fekpofa fekpofak колодка колодки колодок"""
_ADJUSTERS = """slack slacks adjuster adjusters asa asas autoslack gestangesteller*
    bremsgestangesteller nachsteller regleur regleurs stelhefboom stelhefbomen samoregulator*
    rozpieracz* ajustador ajustadores matraca
    matracas catraca catracas registrator* remsteller remstellers stavec stavece bromshavarm
    bromsjusterare
    трещотк* трещоток"""
_DRUMS = """drum drums brakedrum brakedrums trommel trommeln trommels bremstrommel bremstrommeln
    remtrommel remtrommels tambour tambours beben bebna bebny bebnow tambor tambores tamburo
    tamburi tambur buben bubny bubnu trumma trummor bromstrumma bromstrummor tromle tromler
    bremsetromle bremsetromler fekdob fekdobok барабан*"""
# Of these a word that follows makes another thing, as in lining wear indicator.
_HEADED = """lining shoe brakeshoe slack adjuster asa drum brakedrum garniture garnitures
    guarnizione guarnizioni"""
_REPLACING = """renew* replac* repl repld rpl fit fitted fitting install* chang* swap* erneuer*
    ersetz* wechsel wechseln gewechselt ausgewechselt auswechseln tausch tauschen getauscht
    austausch ausgetauscht rempl* wymian* wymien* cambi* reemplaz* sustitu* substitu* troca trocar
    trocado trocada trocados trocadas trocou sostit* vervang* vernieuw* vymen* byte byta bytt bytta
    bytte byttes utbytt* skift* udskift* utskift* inlocui* schimb* csere cserelve cserelt замен*
    заменен*"""
# Words for new: before the thing alone, or on either side of it.
_NEW_BEFORE = "new neue neuen neuer neues nouvelle nouvelles nouveaux nya ny nye uj нов*"
_NEW = """neu neuf neufs neuve neuves nuevo nuevos nueva nuevas novo novos nova novas nuovo nuovi
    nuova nuove nieuw nieuwe nowe nowy nowych nowa nove novy noi noua frisch"""
_RELINING = """relin* belagwechsel belagswechsel bremsbelagwechsel bremsbelagswechsel belagtausch
    belagerneuerung backenwechsel bremsbackenwechsel neubelegt neubelegung neubelag regarnissage
    regarni regarnie regarnis regarnies"""
_SETTING = """adjust adjusted readjusted adjusting adjustment adj reset einstell* eingestellt
    nachgestellt nachstellen regler regle reglee reglees regles reglage regulac*
    wyregulowan* ajustar ajustado ajustada ajustados ajustadas ajuste regulad* regulagem
    registrato registrata registrati registrate registraz* afgesteld afstellen serizen*
    justerad* justering reglat reglaj beallit* регулиров* отрегулиров*"""
_GREASING = """grease greased greasing lube lubed lubric* schmieren abschmieren abgeschmiert
    geschmiert schmierung graisse graisser graissage smarow* nasmarow* engras* lubrif* ingrass*
    gesmeerd doorgesmeerd doorsmeren namazan* smorjning smord smort смазк* смазан*"""


def _bars(text: str) -> str:
    return "|".join(text.split())


BRAKE_PARTS = "linings, shoes, adjusters, drums or new brakes"
ENGLISH = "lining|linings|shoe|shoes|slack|slacks|adjuster|adjusters|asa|asas|drum|drums"
SHOES = _words(_SHOES)
REPLACING, NEW_BEFORE, NEW = _bars(_REPLACING), _bars(_NEW_BEFORE), _bars(_NEW)
OBJECTS = _bars(f"{_LININGS} {_SHOES} {_ADJUSTERS} {_DRUMS}")
HEADED, SETTING = _bars(_HEADED), _bars(_SETTING)
RELINING, GREASING = _bars(_RELINING), _bars(_GREASING)
_DOING = f"{REPLACING}|{NEW_BEFORE}|{NEW}"
# All parts of a pattern must be found in a clause, a word of doing beside what it is done to.
JOB_ACTIONS = {
    f"{_bars(_ADJUSTERS)} + {_DOING}": "adjuster_replaced",
    f"{_bars(_DRUMS)} + {_DOING}": "drum_replaced",
    RELINING: "reline",
    f"{_bars(_LININGS)}|{_bars(_SHOES)} + {_DOING}": "reline",
    "lona + freio*|freno* + " + _DOING: "reline",
    "neu|frisch|new + belegt|belegen|belegung": "reline",
    SETTING: "adjuster_set",
    GREASING: "greased",
}
JOB_REASONS = {
    "us|failed|faulty|defect*|defekt*|seized|kaputt|hs|panne|niesprawn*|averia*": "failed",
    "damag*|broken|bent|beschadigt|casse|uszkodz*|danad*|rott*": "damaged",
    "worn|verschliss*|usee*|usure|zuzyt*|gastad*|desgast*|usurat*|versleten|slitna": "worn",
    "planned|scheduled|preventive|planmassig|geplant|planifi*|planow*|programad*": "planned",
}
# Words that stand between a thing and what is done to it, without being another thing.
BRAKE = _bars(
    """brake brakes braking bremse bremsen bremser frein freins freno frenos freio freios hamulc*
    hamulec rem remmen brzd* broms bromsar bromsarna frana frane fek fekek тормоз*"""
)
AND = _words("and und et y e i en och og oraz a si es и sowie plus")
BESIDE_WORK = _words(
    """the an all of on to at in for by with set sets kit kits pair pairs full complete x pcs pc
    each every wheel wheels end ends position round around old were was been being be have has
    had is are done genuine oem standard oversize exchange lined automatic auto self automatische
    automatischen automatique automatiques automatyczn automatico
    automatici automaticky automaticka der die das den dem
    des am an im alle satz komplett je wurde wurden worden sind ist mit auf vom von le la les l
    du de d au aux sur jeu ont ete est sont tous toutes el los las del juego completo fueron fue
    se han sido todo todos todas os as do da dos das na nos nas foram foi jogo il lo gli di della
    delle dei degli su sono stati state stato tutti w z komplet kpl zostaly zostal obie wszystkie
    het een op van aan zijn werd werden u sada pa av alla ale az на с st nd rd th lh rh l r ns os
    side axle axles hand"""
)
# How a thing was found: looked at and well, or in want of work.
LOOKED_AT = _bars(
    """check* found reports reported noted inspect* measur* gauge* examin* test tests tested testing
    clean* remaining thickness gepruft geprueft prufen prufung kontrol* gemessen messen gereinigt
    reinigen dicke controle* controll* verif* mesur* inspec* nettoy* epaisseur sprawdz* pomiar*
    zmierz* grubosc revis* comprob* medid* medic* limpi* grosor espesor espessura misur* pulit*
    spessore gecontrol* nagekeken gemeten gereinigd zkontrol* zmeren* matt masurat* ellenor*
    провер* измер*"""
)
WELL = _bars(
    """ok okay good fine serviceable io gut bon bonne bons bonnes dobre dobry dobra bien bueno*
    buena* bom boa boas buon* goed norm* норм*"""
)
ILL = _bars(
    """worn below minimum limit limits cracked broken damaged oily oiled contaminated soaked
    contamination loose missing defect* defekt* us faulty failed seized stuck low thin scored
    glazed leaking verschliss* abgenutzt verolt gerissen gebrochen kaputt use usee usees uses
    huile* casse* fissur* hs zuzyt* zaolejon* pekniet* uszkodz* niesprawn* gastad* desgast* roto
    rota rotos rotas danad* usurat* rott* versleten gescheurd kapot sliten slitna slitt uzat*
    kopott износ*"""
)
# A thing of another part of the vehicle has one of these before it; grease these after it.
ELSEWHERE = _words(
    """clutch roof floor body cab seat belt mirror headlamp headlight door arch cable winch fan
    retarder parking handbrake mandrel"""
)
NO_GREASING = _words(
    "cap caps seal seals nipple nipples gun leak leaks leaking retainer on from off"
)
# Before a word of doing, these make it a wish; and these a memory.
WISHED = _words(
    "to for zu zum fur pour te da por para do att k на after since before nach seit apres depuis"
)
# A clause with one of these tells of work that was not, or not yet, or not that day, done.
NOT_DONE = _in_order(
    """not no abort* abandon* abgebrochen interrompu* interrott* przerwan* afgebroken dont don didn
    wasn isn hasn couldn due overdue next soon later tomorrow quote quoted quotation estimate
    estimated advise advised advisory recommend* need needs needed require required requires
    necessary order ordered cancel cancelled canceled declined decline refus* defer* postpon*
    reject* denied book booked booking pending await* waiting wait hold monitor todo tbd tba if
    should must will cannot cant unable never without still ago previously already last nicht
    kein keine keinen nachste nachsten nachster nachstes naechste naechsten demnachst fallig
    faellig bestell* angebot kostenvoranschlag abgelehnt verweigert verschoben zuruckgestellt
    notig notwendig erforderlich benotigt empfohlen empfehl* falls wenn bald spater muss mussen
    sollte sollten storniert vorgemerkt vormerken ohne bereits schon zuletzt letzte* ausstehend
    pas non ne prochain* devis reporte reportee reportes differe* annul* prevoir commande
    commandee commandees necessaire* bientot sans attente recommand* conseill* doit doivent deja
    dernier* sin proxim* pendiente* presupuesto rechaz* aplaz* pospuest* cancelad* pedido pedida
    necesi* necesari* requier* recomend* debe deben falta faltan todavia cotizacion nao orcamento
    recus* adiad* pendente* precis* necessari* encomend* sem agendad* ainda prossim* preventivo
    rifiut* rinviat* rimandat* annullat* ordinat* consigliat* senza ancora nie nastepn* oferta
    programar agendar einplanen inplannen schedule started begun begonnen
    wycena kosztorys odmow* odlozon* przelozon* zamowi* potrzeb* wymagan* wymaga zalec* konieczn*
    bez brak unavailable indispon* wkrotce anulowan* jeszcze niet geen volgend* offerte
    geweigerd uitgesteld besteld nodig
    geannuleerd aanbevolen binnenkort moet moeten zonder afgewezen ingepland nog neni nebyl*
    pristi odmit* objednan* nutn* potreba nabidka doporucen* zrusen* inte ej ikke nasta naeste
    neste offert tilbud uppskjut* utsatt udsat avbojt afvist bestalld bestalls bestilt behov*
    kravs anbefal* utan uden uten nu urmatoar* refuzat* amanat* comandat* necesar* trebuie fara
    recomandat* nem kovetkezo elhalaszt* elutasit* megrendel* szukseges ajanlat nelkul javasol*
    не нет отказ* следующ* перенес* отложен* заказан* требует* нужн* необходим* без"""
)
# A word of not doing that says nothing of the job where another noun follows: no faults found.
NO_OTHER = _words(
    "no kein keine keinen brak sin sans ohne bez without senza sem geen utan uden uten fara без нет"
)
# What a clause of not doing may say beside, and still be about the job before or after it.
OF_NOT_DOING = _words(
    """customer kunde kunden client cliente klient klienta klant kund operator owner visit service
    time date parts part stock approval week weeks month months year mal termin besuch fois
    visite vez visita raz razem keer beurt gang carried out yet now monday tuesday wednesday
    thursday friday gemacht durchgefuhrt erledigt ausgefuhrt vom werden fait faite effectue
    effectuee hecho hecha realizado realizada feito feita fatto fatta gedaan uitgevoerd wykonano
    wykonana zrobiono przez provedeno gjort utfort udfort facut elvegezve par por pelo dal door
    af available unavailable delivered deliverable back teile material lieferbar verfugbar
    vorhanden pieces piece disponible disponibles indisponible indisponibles piezas refacciones
    repuestos hay pecas disponivel disponiveis pezzi ricambi disponibili onderdelen materiaal
    beschikbaar leverbaar voorradig czesci materialu dily delar dele piese alkatresz deler"""
)
ONLY_ADVICE = _words("no advise advised advisory monitor")
FOR_WANT_OF = _words("parts part stock material time")
OFFERS = _words(
    """quote quoted quotation estimate angebot kostenvoranschlag devis presupuesto orcamento
    preventivo offerte oferta wycena kosztorys nabidka offert tilbud ajanlat"""
)


# Words of a job's status that say that it was done, and that it was not, or not yet.
_DONE = _words(
    """done closed complete completed finished finalised finalized invoiced invoice billed paid
    posted rechnung factura fattura fatura faktura factuur carried erledigt
    abgeschlossen fertig abgerechnet fakturiert berechnet bezahlt geschlossen
    termine terminee clos cloture cloturee facture facturee fait realise realisee solde terminado
    terminada cerrado cerrada facturado facturada finalizado hecho realizado completado pagado
    concluido concluida fechado encerrado faturado executado chiuso completato fatturato eseguito
    terminato gereed afgerond gesloten voltooid gefactureerd klaar uitgevoerd zamkniete zamkniety
    zakonczone zakonczony wykonane zrealizowane zafakturowane hotovo uzavreno dokonceno klar
    avslutad utford fakturerad stangd afsluttet udfort faktureret lukket ferdig utfort avsluttet
    fakturert finalizat inchis facturat kesz lezart закрыт закрыто выполнено выполнен"""
)
_UNDONE = _words(
    """cancelled canceled cancel void voided quote quoted quotation estimate estimated declined
    rejected refused open pending deferred postponed hold held awaiting waiting draft progress
    started wip skipped omitted entfallt entfallen storniert abgebrochen offen angebot abgelehnt
    verschoben zuruckgestellt entwurf
    annule annulee devis refuse reporte ouvert ouverte cours attente brouillon
    cancelado cancelada anulado anulada presupuesto rechazado abierto abierta pendiente curso
    borrador orcamento recusado aberto aberta pendente andamento annullato preventivo rifiutato
    aperto corso sospeso geannuleerd offerte afgewezen behandeling lopend concept anulowane
    anulowany oferta odrzucone otwarte otwarty toku robocze zruseno nabidka otevreno makulerad
    annullerad offert avvisad oppen pagaende utkast annulleret tilbud aben igangvaerende avbrutt
    apen anulat oferta deschis refuzat torolt ajanlat nyitott отменен отменено открыт открыто"""
)
# Words of headings below which open and paid say nothing of the work.
OF_PAYING = _words(
    """payment payments paid invoice invoiced invoicing billing warranty claim insurance zahlung
    bezahlt rechnung garantie gewahrleistung paiement paye facture garantia pago pagado factura
    pagamento fattura garanzia betaling factuur platnosc faktura gwarancja platba zaruka
    betalning"""
)
# Words of any record's that say that it counts no more.
_VOID = _words(
    """void voided deleted cancelled canceled invalid superseded reversed storniert geloscht
    ungultig storno stornierung reversal gutschrift avoir credit canx
    annule annulee supprime supprimee invalide anulado anulada eliminado eliminada invalido
    excluido annullato eliminato geannuleerd verwijderd ongeldig anulowane anulowany usuniety
    zruseno smazano makulerad raderad annulleret slettet anulat sters torolt"""
)
_PLANNED = _words(
    """planned scheduled booked requested geplant eingeplant planifie prevu programado agendado
    programmato gepland ingepland zaplanowane planovano planerad planlagt planificat tervezett"""
)


# What nobody wanted done, after a no.
_WANTED = _words(
    """required needed necessary due applicable erforderlich notig notwendig fallig necessaire
    requis requise necesario necesaria requerido necessario nodig vereist wymagane wymagana
    potrzebne potrzebna nutne treba behovs nodvandig nodvendig necesar szukseges"""
)
# Words of a file's or a sheet's name that make its jobs those of another day, or of none.
_TO_COME = _words(
    """plan plans planning forecast schedule upcoming due quotes quotations estimates offers
    vorschau planung fallig faellig vorplanung angebote devis prevision previsions previsiones
    presupuestos orcamentos preventivi offertes planowanie plany oferty"""
)


def names_undone(name: str) -> str:
    """The word of a file's or a sheet's name that says its jobs were not done, or not yet; empty
    where none does."""
    said = [t for t in tokens(name) if t in _UNDONE | _VOID | _PLANNED | _TO_COME]
    return said[0] if said and _DONE.isdisjoint(tokens(name)) else ""


def status_of(cell: str, *, planned: bool = True) -> str:
    """Whether a job's status is "done" or "not done"; empty where it is neither, or may be both.

    ``planned``: what was planned was not done; elsewhere planned is why it was.
    """
    of = tokens(cell)
    words = set(of)
    if says_credit(cell):
        return "not done"
    undone = bool(words & (_UNDONE | _VOID | (_PLANNED if planned else frozenset())))
    done = bool(words & _DONE)
    if words & {"not", "nicht", "no", "non", "nie", "ej", "ikke", "niet"}:
        plainly = (done != undone and len(of) == 2) or (words & _WANTED and not done)
        return "not done" if plainly else ""  # done, not invoiced
    return "" if done == undone else "done" if done else "not done"


# Of these, a no says nothing of the work.
_BILLED = _words(
    """invoiced invoice billed paid posted rechnung factura fattura fatura faktura factuur
    abgerechnet fakturiert berechnet bezahlt facture facturee solde facturado facturada pagado
    faturado fatturato gefactureerd zafakturowane fakturerad faktureret fakturert facturat"""
)
# Beside a word for cancelled, or for done, a heading may have these.
_BESIDE_STATUS = _words(
    """on am le el la il op dnia dne date datum fecha data day by reason grund motif motivo job
    order work yes no flag is was line ja nein y n j o oui non si s is""",
)
_CANCELLING = _words(
    """cancelled canceled cancel cancellation cancelation void voided deleted geloscht storno
    storniert stornierung stornogrund stornodatum annule annulee annulation anulado anulada
    anulacion cancelado cancelada cancelacion cancelamento annullato annullata annullamento
    geannuleerd
    annulering anulowane anulowano anulowanie zruseno makulerad annullerad annulleret avbrutt
    anulat torolt"""
)


# What may come before or after, other than a day's work.
OF_TRIPS = _words(
    """trip trips shift tour journey route season delivery purchase mot wash schicht fahrt reise
    trajet tournee voyage viaje viagem ruta rota viaggio rit reis ritten kurs trasa jazda resa
    tur"""
)


def cancels(heading: str) -> bool:
    """Whether whatever stands below a heading but a no says that its row was cancelled."""
    words = set(tokens(heading))
    return bool(words & _CANCELLING) and words <= _CANCELLING | _BESIDE_STATUS


def status_under(heading: str, cell: str) -> str:
    """What :func:`status_of` says of a cell, below a heading to which a yes or a no, and below one
    of cancelling a day or a reason too, is the answer."""
    told = yes_or_no(cell)
    if cancels(heading):
        return "done" if told == "no" else "not done"
    if told and names_done(heading):
        return "done" if told == "yes" else "not done"
    return status_of(cell)


def names_done(heading: str) -> bool:
    """Whether a heading may ask whether something was done."""
    words, done = set(tokens(heading)), _DONE - _BILLED
    return bool(words & done) and words <= done | _BESIDE_STATUS


def yes_or_no(cell: str) -> str:
    """Whether a cell is a yes or a no; empty where it is neither. A sign of nothing is a no."""
    plain = cell.strip()
    if plain in {"0", "1"}:
        return "yes" if plain == "1" else "no"
    return "no" if says_nothing(cell) else cell_words("bool").get(spelled(cell), "")


# Of these, a document takes back the job of another; a credit alone may be how it was paid.
_CREDITS = _words(
    """gutschrift avoir reversal abono creditnota kreditnota kreditnote dobropis stornorechnung
    rechnungskorrektur"""
)
_CREDIT_NOTES = _words("note memo invoice nota")


def says_credit(cell: str) -> bool:
    """Whether a short cell says that its row takes back another: a credit note."""
    of = set(tokens(cell))
    is_note = bool(of & {"credit", "credito"}) and bool(of & _CREDIT_NOTES)
    return 0 < len(tokens(cell)) <= 3 and (is_note or bool(of & _CREDITS))


def says_void(cell: str) -> bool:
    """Whether a short cell says that its record counts no more."""
    of = tokens(cell)
    return 0 < len(of) <= 2 and of[0] in _VOID


# Whole cells that stand for the cell above.
DITTOS = (
    *('"', "''", "″", "”", "„", "〃", ",,", '-"-', '- " -', '--"--', "-''-", "-„-", "-”-", "–„–"),
    *(
        "ditto",
        "Ditto",
        "dito",
        "Dito",
        "dto",
        "dto.",
        "Dto.",
        "do.",
        "idem",
        "Idem",
        "id.",
        "j.w.",
    ),
)
# Cells of a measured column that say that nothing was measured. Words such as none are not among
# them: they may say that nothing is left.
NOT_MEASURED = _alternatives(
    """na, n a, nd, n d, n m, tbc, ka, k a, keine angabe, nicht gemessen, nicht messbar, n gem,
    not measured, not read, not taken, not checked, no reading, not available, not applicable,
    unknown, unbekannt, inconnu, non mesure, pas mesure, non releve, sans objet, nie zmierzono, nie
    mierzono, brak pomiaru, brak danych, no medido, sin medir, sin dato, nao medido, sem medida, non
    misurato, non rilevato, niet gemeten, n v t, nvt, nezmereno, neuvedeno, ej matt, inte matt, ikke
    malt, nemasurat, nem mert, не измерено, нет данных"""
)
_SIGNS_OF_NOTHING = re.compile(r"[-–—_.?/]{1,4}")


def says_nothing(cell: str) -> bool:
    """Whether a whole cell says that nothing was measured."""
    return _SIGNS_OF_NOTHING.fullmatch(cell.strip()) is not None or spelled(cell) in NOT_MEASURED


def _sets(text: str) -> tuple[frozenset[str], ...]:
    return tuple(frozenset(tokens(part)) for part in text.split(","))


CORES = {name: _sets(text) for name, text in CONCEPTS.items()}
OPTIONAL = {name: frozenset(tokens(text)) for name, text in BESIDE.items()}


@cache
def cell_words(column: str) -> dict[str, str]:
    """What a cell's words, spelled by :func:`spelled`, mean in a contract column."""
    return {
        spelled(word): meaning
        for meaning, words in CELL_WORDS[column].items()
        for word in (meaning, *words.split(","))
    }


@cache
def spelled(text: str) -> str:
    """A cell's words without case, accents, points and signs, but those that make them doubtful
    (ok?, ok*); the signs where it has no words."""
    plain = folded(text).replace("_", " ")
    words = re.findall(r"\w+|[?*]", plain)
    return " ".join(words) if any(map(str.isalnum, words)) else plain.strip()


@cache
def as_written(text: str) -> str:
    """A cell without case, accents and odd spaces, every sign kept: < 8 is not 8."""
    return " ".join(folded(text).split())


@cache
def month_names() -> dict[str, int]:
    """The month that a word names, in any of the languages; words of two months are left out."""
    found: dict[str, set[int]] = {}
    for language in LANGUAGES:
        for width in ("wide", "abbreviated"):
            for context in ("format", "stand-alone"):
                for month, name in get_month_names(width, context, language).items():
                    found.setdefault(folded(name).strip("."), set()).add(month)
    found.setdefault("sept", {9})
    return {word: months.pop() for word, months in found.items() if len(months) == 1}
