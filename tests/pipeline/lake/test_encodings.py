"""The code page that makes words of a text."""

import pytest

from pipeline.lake.encodings import code_page
from pipeline.lake.files import decoded

TEXTS = {
    "cp1250": ("Pojazd;Oś;Strona;Data przeglądu;Grubość okładziny;Łódź",
               "Tloušťka obložení;Vozidlo;přední náprava", "Fékbetét vastagság;külső;időpont"),
    "cp1252": ("Fahrzeug;Prüfdatum;Belagstärke;Größe", "Véhicule;Repères alignés;Épaisseur;Côté",
               "espessura da lona;inspeção;não", "Mätarställning;belägg;främre", "año;señal"),
    "cp1251": ("Ось;Пробег;толщина накладки", "Дата;Сторона;левая"),
}  # fmt: skip


@pytest.mark.parametrize(("page", "text"), [(p, t) for p, texts in TEXTS.items() for t in texts])
def test_each_page_is_known_by_its_words(page, text):
    assert code_page(text.encode(page)) == page
    assert decoded(text.encode(page)) == text


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be"])
def test_unicode_in_each_of_its_forms(encoding):
    text = "Fahrzeug;Prüfdatum;Oś\nT1;2025-01-01;2\n"
    assert decoded(text.encode(encoding)) == text
