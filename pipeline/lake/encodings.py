"""Which of the code pages a text without a mark is in: the one that makes words of it.

Bytes above 127 stand for other letters in each. Words with such bytes are decoded every way; a word
counts for a page where its letters are all of one language's alphabet. Where pages come out even,
the western one is taken: then the words mostly are the same in each.
"""

import re
from functools import cache

CODE_PAGES = ("cp1252", "cp1250", "cp1251")
# Letters beyond a to z, by language; from memory.
ALPHABETS = {
    "cp1252": (
        *("äöüß", "àâæçéèêëîïôœùûü", "áéíñóúü", "áâãàçéêíóôõú", "àèéìòù", "éëïóöü", "åäöéü"),
        "æøåéö",
    ),
    "cp1250": ("ąćęłńóśźż", "áčďéěíňóřšťúůýžäĺľôŕ", "áéíóöőúüű", "ăâîşţșț", "čšžćđ"),
    "cp1251": ("абвгдеёжзийклмнопрстуфхцчшщъыьэюяіїєґўјљњћџђ",),
}
_LOOKED_AT = 400_000
_WORD = re.compile(rb"[A-Za-z\x80-\xff]*[\x80-\xff][A-Za-z\x80-\xff]*")
_UPPER_INSIDE = re.compile(r"[^\W\d_](?=.*[a-zà-ÿ]).*[A-ZÀ-Þ]")


def code_page(content: bytes) -> str:
    """The name of the code page."""
    words = set(_WORD.findall(content[:_LOOKED_AT])) | set(_WORD.findall(content[-_LOOKED_AT:]))
    if not words:
        return CODE_PAGES[0]
    return max(CODE_PAGES, key=lambda page: max(_made(words, page, a) for a in ALPHABETS[page]))


def _made(words: set[bytes], page: str, alphabet: str) -> int:
    """How many words the page makes in a language of that alphabet."""
    return sum(_is_word(word, page, alphabet) for word in words)


@cache
def _letters(alphabet: str) -> frozenset[str]:
    latin = "" if "ж" in alphabet else "abcdefghijklmnopqrstuvwxyz"
    return frozenset(alphabet + latin)


def _is_word(word: bytes, page: str, alphabet: str) -> bool:
    text = word.decode(page, errors="replace")
    return _letters(alphabet).issuperset(text.lower()) and not _UPPER_INSIDE.match(text)


def wide_encoding(content: bytes) -> str | None:
    """UTF-16 without a mark: every other byte of plain letters is nothing."""
    head = content[:2000]
    if len(head) < 4 or b"\x00" not in head:
        return None
    for start, name in ((1, "utf-16-le"), (0, "utf-16-be")):
        if head[start::2].count(0) > 0.7 * len(head[start::2]) and not head[1 - start :: 2].count(
            0
        ):
            return name
    return None
