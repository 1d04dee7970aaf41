"""Job lines: what they tell of, and what cannot be placed."""

import time

import numpy as np
import pytest

from pipeline.mapping.job_lines.clauses import LONGEST, SEVERAL
from pipeline.mapping.job_lines.jobs import (
    DOUBTFUL,
    NOWHERE,
    Ground,
    actions_of,
    jobs_of,
    kinds_of,
    names_a_part,
)
from pipeline.settings import JobWords

WORDS = JobWords()
LEFT_TRAFFIC = Ground(near_side="L", rear_axle=2)


def told(line, ground=LEFT_TRAFFIC):
    return [(j.action, j.reason, j.axle, j.side) for j in jobs_of(line, WORDS, ground)]


@pytest.mark.parametrize(
    ("line", "jobs"),
    [
        ("brake reline axle 2 both sides", [("reline", None, 2, "L"), ("reline", None, 2, "R")]),
        ("slack adjuster u/s renew ax 1 o/s", [("adjuster_replaced", "failed", 1, "R")]),
        ("drum worn - replace ax 2 n/s", [("drum_replaced", "worn", 2, "L")]),
        ("adjust brake 2nd axle left", [("adjuster_set", None, 2, "L")]),
        ("reline 2L", [("reline", None, 2, "L")]),
        ("front axle reline lh & rh", [("reline", None, 1, "L"), ("reline", None, 1, "R")]),
        ("Gestängesteller defekt, erneuert Achse 2 links",
         [("adjuster_replaced", "failed", 2, "L")]),
        ("wymiana okładzin oś 2 lewa", [("reline", None, 2, "L")]),
        ("axle 1 o/s: reline; axle 2 n/s slack adjuster renewed",
         [("reline", None, 1, "R"), ("adjuster_replaced", None, 2, "L")]),
        ("grease axle 1 and 2 n/s", [("greased", None, 1, "L"), ("greased", None, 2, "L")]),
        ("2 new linings axle 1 n/s", [("reline", None, 1, "L")]),
        ("Brake shoes renewed 1L", [("reline", None, 1, "L")]),
        ("axle no 2 n/s reline", [("reline", None, 2, "L")]),
        ("reline axle 2 l & r", [("reline", None, 2, "L"), ("reline", None, 2, "R")]),
        ("Axle 2 n/s drum worn - replaced, axle 1 o/s greased",
         [("drum_replaced", "worn", 2, "L"), ("greased", None, 1, "R")]),
        ("Axle 2 n/s: replaced slack adjuster and linings",
         [("adjuster_replaced", None, 2, "L"), ("reline", None, 2, "L")]),
        ("replaced linings axle 1 n/s and axle 2 o/s",
         [("reline", None, 1, "L"), ("reline", None, 2, "R")]),
        ("linings axle 1 n/s and axle 2 o/s replaced",
         [("reline", None, 1, "L"), ("reline", None, 2, "R")]),
        ("Troca de lonas de freio eixo 1 LE e LD",
         [("reline", None, 1, "L"), ("reline", None, 1, "R")]),
        ("Výměna brzdového obložení náprava 1 obě strany",
         [("reline", None, 1, "L"), ("reline", None, 1, "R")]),
        ("Automatický stavěč náprava 2 levá vyměněn", [("adjuster_replaced", None, 2, "L")]),
        ("Smort axel 2 höger", [("greased", None, 2, "R")]),
        ("reline n/s/f", [("reline", None, 1, "L")]),
        ("wymiana okładzin oś 1 i 2 lewa", [("reline", None, 1, "L"), ("reline", None, 2, "L")]),
    ],
)  # fmt: skip
def test_lines_that_are_understood(line, jobs):
    assert told(line) == jobs


@pytest.mark.parametrize("line", ["fit 2 wiper blades", "headlamp bulb o/s", "MOT prep", "12345"])
def test_lines_about_something_else(line):
    assert told(line) == []


@pytest.mark.parametrize(
    "line",
    ["reline due axle 2 n/s", "reline not required ax 1 o/s", "quote for reline ax 1 o/s",
     "Programar troca de lonas eixo 2 esquerdo", "schedule reline axle 2 n/s",
     "relining axle 2 n/s started"],
)  # fmt: skip
def test_work_that_was_not_done_is_no_reline(line):
    assert {action for action, *_ in told(line)} <= {"other"}


@pytest.mark.parametrize(
    ("line", "why"),
    [
        ("relined all axles", NOWHERE), ("grease all round, 2L oil", NOWHERE),
        ("grease 2L oil", NOWHERE), ("reline both axle 1 and axle 2, o/s only", SEVERAL),
        ("axle 1 n/s reline, axle 2 o/s reline; new drums", SEVERAL),
    ],
)  # fmt: skip
def test_what_cannot_be_placed_is_said(line, why):
    job = jobs_of(line, WORDS, LEFT_TRAFFIC)[-1]
    assert (job.axle, job.side, job.problem) == (None, None, why)


def test_a_reason_is_of_the_clause_that_says_it_or_of_the_only_job():
    assert told("reline ax 1 n/s; linings worn") == [("reline", "worn", 1, "L")]
    line = "reline ax 1 n/s worn; slack adjuster renewed ax 2 n/s"
    assert told(line) == [("reline", "worn", 1, "L"), ("adjuster_replaced", None, 2, "L")]


def test_without_the_countrys_rule_near_and_off_are_nobodys():
    (job,) = jobs_of("reline ax 1 o/s", WORDS, Ground())
    assert job.side is None
    assert "near_side" in job.problem


def test_a_rows_own_axle_and_side_place_its_line():
    assert told("reline", Ground(axle=3, side="R")) == [("reline", None, 3, "R")]


ACTION_WORDS = {
    "reline": (
        "reline",
        "relined brakes",
        "new linings fitted",
        "replaced linings",
        "Belag erneuert",
    ),
    "adjuster_replaced": ("renew slack adjuster", "new slack", "slack adjuster replaced"),
    "drum_replaced": ("new drum", "drum replaced", "Trommel ersetzt"),
    "adjuster_set": ("adjusted brakes", "adjust brake"),
    "greased": ("grease cams", "greased", "abgeschmiert"),
}
AXLE_WORDS = ("axle {}", "ax {}", "ax{}", "Achse {}", "axle no {}")
SIDE_WORDS = {
    "L": ("n/s", "nearside", "left", "LH", "links"),
    "R": ("o/s", "right", "RH", "rechts"),
}
NOISE = (
    *(
        "headlamp bulb o/s",
        "2L oil",
        "fit 3 clips",
        "check tyres axle 2 left",
        "road test",
        "5 hrs",
    ),
    *("reline axle 3 due next visit", "o/s mirror cracked", "no fault found", "wash"),
)


def drawn_line(rng):
    """A line of one to three clauses, and the jobs that it may be taken for."""
    clauses, truth = [], set()
    for _ in range(rng.integers(1, 3)):
        action = str(rng.choice(list(ACTION_WORDS)))
        axle, side = int(rng.integers(1, 4)), str(rng.choice(["L", "R", "both", ""]))
        what = str(rng.choice(ACTION_WORDS[action]))
        where = str(rng.choice(AXLE_WORDS)).format(axle)
        sides = {"both": ["both sides"], "": [""]}.get(side) or SIDE_WORDS[side]
        words = [what, where, str(rng.choice(sides))]
        clauses.append(" ".join(words if rng.random() < 0.7 else words[1:] + words[:1]))
        truth |= {(action, axle, s) for s in {"both": "LR"}.get(side, side)}
    if rng.random() < 0.5:
        clauses.insert(int(rng.integers(len(clauses) + 1)), str(rng.choice(NOISE)))
    return str(rng.choice(["; ", ", ", ". "])).join(clauses), truth


def test_no_drawn_line_is_taken_for_another_wheel_end_or_action():
    rng = np.random.default_rng(11)
    understood = 0
    for _ in range(5_000):
        line, truth = drawn_line(rng)
        jobs = jobs_of(line, WORDS, LEFT_TRAFFIC)
        found = {(j.action, j.axle, j.side) for j in jobs if j.action != "other" and not j.problem}
        assert found <= truth, line
        understood += found == truth and bool(truth)
    assert understood > 2_500


# Lines that only mention linings, shoes, adjusters or drums, or tell of work that was not done.
MENTIONED = """
Linings checked 60%, marker bulb replaced
Brake chamber replaced, linings ok
New tyre, brake linings inspected
Linings 9mm, wheel bearing replaced
Replaced hub seal, cleaned oil off lining
Measured new lining thickness
Belag geprüft, Reifen gewechselt
garnitures contrôlées, pneu remplacé
Customer refused to replace linings
Reline axle 2 L/R - parts not available
Reline axle 1 - no parts
Reline axle 1 (parts unavailable)
Beläge 1. Achse erneuern – keine Teile lieferbar
Remplacement garnitures essieu 1 - pièces indisponibles
Cambio de balatas eje 1 - sin refacciones
Wymiana okładzin oś 1 - brak części
Voeringen as 1 vervangen - geen onderdelen
Reline axle 1 both sides x0
0 x reline axle 1
Linings worn - replacement booked
Reline deferred
Linings to replace
Beläge beim nächsten Mal neu
Replace brake linings (warranty claim rejected, not done)
Adjuster checked ok, new hose
Linings replaced 2023, still good
Bremsbeläge i.O., neue Luftleitung
Brake service, lining kit
Oil on lining, needs reline
Lining wear ind. replaced
Lining thickness 15 mm new
Fit new wheel after lining check
Reline? check next visit
Measure linings, change oil
Wheel bearing replaced, linings checked 9mm
New tyre fitted, brake linings OK
replaced drum brake dust cover
new shoe return springs
slack adjuster clevis pin replaced
Replaced brake light, adjuster fine
Reline axle 2 - declined by customer
Reline quoted
estimate: reline axle 1, new drums
clutch linings replaced
Beläge fällig
Beläge zu erneuern
Beläge müssen erneuert werden
Belag 8 mm, Bremskammer erneuert
Trommel geprüft, Radlager ersetzt
garnitures à remplacer
remplacement garnitures à prévoir
devis remplacement garnitures
garnitures bonnes, remplacement flexible
Forros revisados, cambio de neumáticos
Cliente rechazó cambio de forros
forros por cambiar
cambio de forros pendiente
Remvoeringen gecontroleerd, band vervangen
remvoeringen te vervangen
Voeringen volgende keer vernieuwen
Okładziny sprawdzone, wymiana opony
okładziny do wymiany
klient odmówił wymiany okładzin
wymiana okładzin przy następnej wizycie
Guarnizioni controllate, pneumatico sostituito
guarnizioni da sostituire
Sostituita guarnizione testata
Lonas verificadas, troca de pneu
Troca de lonas adiada
Kunden ville inte byta bromsbelägg
Bromsbelägg kontrollerade, däck bytt
Obložení zkontrolováno, výměna pneumatiky
накладки проверены, замена шины
Linings not replaced
Linings due
should reline next service
Reline axle 2 on hold awaiting parts
New adjuster boot
Removed drum, inspected linings, refitted drum
Linings as new
n/s lining 12 new 18
Checked linings new
Linings good new tyre
Renewed camshaft, adjuster re-fitted
Supplied lining kit for reline
reline aborted
Reline n/a
Shoes removed, cleaned and refitted
Anchor pins replaced, shoes refitted
Brake shoe anchor pin renewed
Linings 12 mm new springs
Linings at 30% replace soon
Will replace linings at next PM
Linings replaced last PM
Verschleißanzeige Belag erneuert
Rückholfeder Bremsbacke erneuert
Bremsbeläge abgefahren, bestellt
Angebot Beläge erneuern
ressort de rappel mâchoire remplacé
Contrôle garnitures, changement ampoule
Cambio de aceite y forros revisados
lonas com 8mm, troca de lâmpada
wymiana czujnika okładzin
kontrola okładzin, wymiana łożyska
Bremsebelegg kontrollert, skiftet pære
fékbetét ellenőrizve, izzó csere
замена лампы, накладки 8 мм
linings and drum not replaced
do not replace linings and drum
Drum cracked - new drum on order
changed oil seal and linings contaminated
Linings contaminated - seal replaced
Set up brakes and replace linings if required
Brake pads replaced
Lining rivets replaced
Plaquettes remplacées
""".strip().split("\n")


@pytest.mark.parametrize("line", MENTIONED)
def test_a_mention_is_no_job(line):
    assert not set(actions_of(line, WORDS)) & {"reline", "adjuster_replaced", "drum_replaced"}


# What is done, in any order of words.
DONE = """
reline = Bremsen neu belegt
reline = Re-lined
reline = Shoes replaced
reline = Brake shoes renewed 1L
reline = New linings fitted
reline = Brake linings renewed
reline = Relined both sides
adjuster_replaced,reline = Replaced slack adjuster and linings
adjuster_replaced,reline = Renewed linings & slack adjuster
drum_replaced,reline = New brake shoes and drum
reline = Replaced linings, adjusters checked
reline = Reline brakes, replace shoes
reline = Brake lining set, new
reline = linings worn, replaced
reline = Replaced worn brake linings due to oil contamination
reline = Linings renewed, no faults found
reline = Linings 4mm, replaced
adjuster_replaced,drum_replaced,reline = Replaced: drums, linings, slack adjusters
adjuster_replaced,drum_replaced,reline = Linings, drums and adjusters replaced
reline = Bremsbeläge erneuert
reline = Beläge neu
reline = Belagwechsel Achse 2 links
reline = Bremsbacken getauscht
reline = neue Beläge montiert
adjuster_replaced,reline = Beläge und Gestängesteller erneuert
reline = garnitures neuves essieu 2
reline = remplacement des garnitures de frein
reline = Mâchoires remplacées
reline = garnitures de frein usées, remplacées
reline = Cambio de forros eje 2 ambos lados
reline = balatas nuevas
reline = se cambiaron zapatas de freno eje 1
reline = Troca de lonas de freio
reline = Wymiana okładzin hamulcowych
reline = Wymieniono szczęki hamulcowe
reline = nowe okładziny
drum_replaced,reline = Wymiana okładzin i bębna
reline = Remvoeringen vervangen
reline = nieuwe remschoenen
reline = Sostituzione guarnizioni freno
reline = ferodi nuovi
reline = výměna obložení
reline = Byte av bromsbelägg
reline = nya bromsbelägg
reline = skiftet bremsebelegg
reline = замена накладок
reline = schimbat garnituri
adjuster_set = Brakes adjusted
adjuster_set,greased = adjusted & greased
adjuster_set = Adjusted slack adjusters
adjuster_set = reset slack adj
adjuster_replaced = slack adj replaced
reline = axle no 2 reline
reline = Relined, road tested ok
reline = Fitted new brake shoes & adjusted headlamp
drum_replaced,reline = Fit new drums & linings
reline = Relined axle 1, next service 12/2024
reline = work order 123 reline axle 2
greased = Smarowanie
reline = Riveted new linings
reline = linings new axle 2 n/s
adjuster_replaced,drum_replaced,reline = Axle 2: linings, drums, adjusters all new
drum_replaced,reline = Replaced S-cam, bushings, shoes, drums
drum_replaced,reline = Beläge u. Trommel neu
reline = Linings below minimum, changed
reline = oil soaked linings replaced
drum_replaced = Linings ok. New drum fitted
reline = Beläge li. und re. erneuert
reline = Bremse überholt, Beläge neu
drum_replaced = Cambio de tambor, forros ok
drum_replaced,reline = замена барабана и колодок
reline = replaced linings, but adjuster not replaced
adjuster_replaced = linings good for 3 months, replaced adjuster
reline = Fitted new hub seal and relined brakes
drum_replaced,reline = remschoenen vernieuwd en trommels vervangen
adjuster_set,greased = Adj slack, grease, fit new cap
adjuster_set = Brake adjusted, lining 7mm, new clevis pin
reline = R&R SHOES
adjuster_replaced = replaced s/adjuster LH ax1
adjuster_replaced = adj replaced
adjuster_replaced = auto slack seized 1L - new one fitted
reline = Garnitures 1G changées
reline = Regarnissage essieu 2
adjuster_replaced = levier réglage auto remplacé
adjuster_replaced = levier de réglage remplacé
adjuster_set = réglage essieu 1
adjuster_replaced = rattrapeur d'usure remplacé
adjuster_replaced = stelhefboom vervangen
adjuster_replaced = rozpieracz wymieniony
reline = Remplacement garnitures AR gauche
reline = 1L relined, no parts charged
reline = Relined 1L, odometer not available
reline = Reline 1L - driver not available to collect
reline = 10 x 0.5 reline 1L
reline = Wymiana okładzin oś 1 lewa - brak uwag
""".strip().split("\n")


@pytest.mark.parametrize("told", DONE)
def test_what_was_done_is_read(told):
    actions, line = told.split(" = ")
    assert sorted(actions_of(line, WORDS)) == actions.split(",")


@pytest.mark.parametrize(
    "line",
    ["Druckregler gewechselt", "adjusted clutch", "headlamp adjusted", "headlamp adjuster replaced",
     "grease cap missing", "Scheinwerfer eingestellt", "clutch linings replaced"],
)  # fmt: skip
def test_other_parts_of_a_vehicle_are_nothing_of_a_brake(line):
    assert actions_of(line, WORDS) == ()


# By language: a thing, done to it (before, after), looked at, another job, put off.
LANGUAGES = {
    "en": ("linings", "replaced {}", "{} renewed", "{} checked", "wheel bearing replaced",
           "{} due"),
    "de": ("Beläge", "neue {}", "{} erneuert", "{} geprüft", "Radlager ersetzt",
           "{} nächstes Mal"),
    "fr": ("garnitures", "remplacement {}", "{} remplacées", "{} contrôlées",
           "roulement remplacé", "{} à remplacer"),
    "es": ("forros", "cambio de {}", "{} nuevos", "{} revisados", "rodamiento cambiado",
           "cambio de {} pendiente"),
    "pt": ("lonas", "troca de {}", "{} trocadas", "{} verificadas", "rolamento trocado",
           "troca de {} adiada"),
    "it": ("ferodi", "sostituzione {}", "{} sostituiti", "{} controllati",
           "cuscinetto sostituito", "{} da sostituire"),
    "nl": ("remvoeringen", "nieuwe {}", "{} vervangen", "{} gecontroleerd", "lager vervangen",
           "{} volgende keer vervangen"),
    "pl": ("okładziny", "nowe {}", "{} wymienione", "{} sprawdzone", "wymiana łożyska",
           "{} do wymiany"),
    "cs": ("obložení", "výměna {}", "{} vyměněno", "{} zkontrolováno", "výměna ložiska",
           "výměna {} odložena nutno"),
    "sv": ("bromsbelägg", "nya {}", "{} bytta", "{} kontrollerade", "byte hjullager",
           "{} ej bytta"),
    "ru": ("накладки", "новые {}", "{} заменены", "{} проверены", "замена подшипника",
           "{} не заменены"),
}  # fmt: skip


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("sign", [", ", "; ", ". ", " - "])
def test_in_every_language_clauses_are_kept_apart(language, sign):
    thing, before, after, looked, another, put_off = LANGUAGES[language]
    done = [before.format(thing), after.format(thing)]
    not_done = [looked.format(thing), put_off.format(thing)]
    for line in done:
        assert actions_of(line, WORDS) == ("reline",), line
        for told in (sign.join([line, another]), sign.join([another, line])):
            assert actions_of(told, WORDS) == ("reline",), told
    for line in not_done:
        for told in (line, sign.join([line, another]), sign.join([another, line])):
            assert actions_of(told, WORDS) == (), told
            assert names_a_part(told)


def test_no_line_of_another_part_and_a_finding_becomes_a_reline():
    """Of drawn lines in which something else is replaced and a lining found so, none is a reline;
    those in which linings are replaced and something else is found so, all are."""
    rng = np.random.default_rng(3)
    parts = ("hub seal", "marker bulb", "tyre", "wheel bearing", "brake chamber", "air line",
             "spring brake", "clevis pin", "mud flap", "hose")  # fmt: skip
    states = ("{} ok", "{} checked", "checked {}", "{} 9mm", "{} at 60%", "{} good", "{} worn",
              "{} inspected", "measured {}", "{} need replacing")  # fmt: skip
    verbs = ("replaced {}", "{} replaced", "new {}", "fitted new {}", "{} renewed", "changed {}")
    signs = (", ", "; ", ". ", " - ", " and ", " & ", " (", "\n")
    linings = ("linings", "brake linings", "brake shoes", "rear linings")
    for _ in range(3_000):
        part, lining = str(rng.choice(parts)), str(rng.choice(linings))
        verb, state, sign = (str(rng.choice(each)) for each in (verbs, states, signs))
        mention = [verb.format(part), state.format(lining)]
        done = [verb.format(lining), state.format(part)]
        if rng.random() < 0.5:
            mention, done = mention[::-1], done[::-1]
        assert "reline" not in actions_of(sign.join(mention), WORDS), sign.join(mention)
        assert actions_of(sign.join(done), WORDS) == ("reline",), sign.join(done)


def test_a_fleets_own_patterns_go_before_the_known_ones():
    own = JobWords(
        actions={"service + b": "adjuster_set", "shoe*": "other", "booked + reline": "reline"},
        not_done=("maybe",),
    )
    assert actions_of("Service B", own) == ("adjuster_set",)
    assert actions_of("Shoes replaced", own) == ("other",)
    assert actions_of("linings renewed", own) == ("reline",)
    assert actions_of("reline booked", own) == ("reline",)  # its own pattern says so
    assert actions_of("maybe reline", own) == ()


def test_an_own_pattern_with_a_word_of_doing_counts_for_what_is_beside_it():
    own = JobWords(actions={"lining*|belag* + renew*|replac*|new": "reline"})
    assert actions_of("brake linings renewed", own) == ("reline",)
    assert actions_of("wheel bearing replaced, linings 9mm", own) == ()


def test_blanks_in_an_own_pattern_part_its_words():
    own = JobWords(
        actions={"replaced slack": "adjuster_replaced", "swapped set|pair of blocks": "reline"},
        reasons={"worn thin": "worn"},
    )
    assert actions_of("Replaced LH slack", own) == ("adjuster_replaced",)
    assert actions_of("hub seal replaced, slack ok", own) == ()
    assert actions_of("swapped blocks, pair of them", own) == ("reline",)
    (job,) = jobs_of("swapped set 2L, worn very thin", own, LEFT_TRAFFIC)
    assert (job.action, job.reason, job.axle, job.side) == ("reline", "worn", 2, "L")


def test_lines_are_counted_by_what_they_become():
    lines = [("reline", 3), ("linings ok", 2), ("wash", 9), ("new shoes and drum", 1)]
    assert kinds_of(lines, WORDS) == {
        "drum_replaced and reline": (("new shoes and drum", 1),),
        "reline": (("reline", 3),),
        DOUBTFUL: (("linings ok", 2),),
        "other": (("wash", 9),),
    }


def test_work_of_which_nothing_is_known_is_marked_so():
    (job,) = jobs_of("linings ok", WORDS, Ground(axle=1, side="L"))
    assert (job.action, job.is_known) == ("other", False)


@pytest.mark.parametrize("part", ["new lining ", "linings, ", "linings and ", "not done, ", "to "])
def test_a_line_without_end_takes_no_time_and_tells_of_nothing(part):
    started = time.perf_counter()
    assert len(actions_of((part * LONGEST)[:LONGEST], WORDS)) <= 1
    assert actions_of("reline; " + part * LONGEST, WORDS) == ()
    assert time.perf_counter() - started < 10
