"""The species list against published codes; look-up, search, and hostile lists."""

from __future__ import annotations

import csv
from importlib import resources
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from weedset.errors import LabelError, SettingsError, UnknownSpeciesError
from weedset.taxonomy import (
    Rank,
    Role,
    Species,
    is_eppo_code,
    load_species,
    require_codes,
    search,
    species,
)

KNOWN = load_species()
HEADER = (
    "eppo_code,rank,scientific_name,family,usual_role,name_en,name_de,name_es,aliases,code_source\n"
)
KOHL = "x-palm-kale,species,Brassica oleracea,Brassicaceae,crop,palm kale,Palmkohl,,,local\n"

# Code and name seen together in sources other than EPPO (a database record that names
# EPPO Global Database for LYPES; the IPM Decisions API documentation for DAUCS; public
# crop and weed lists for the rest).
SCIENTIFIC_PAIRS = {
    "LYPES": "Solanum lycopersicum",
    "SOLTU": "Solanum tuberosum",
    "SOLME": "Solanum melongena",
    "CPSAN": "Capsicum annuum",
    "DAUCS": "Daucus carota",
    "ALLCE": "Allium cepa",
    "ALLPO": "Allium porrum",
    "BRSOX": "Brassica oleracea",
    "PIBSX": "Pisum sativum",
    "PHSVX": "Phaseolus vulgaris",
    "VICFX": "Vicia faba",
    "CUMSA": "Cucumis sativus",
    "CUMME": "Cucumis melo",
    "FRAAN": "Fragaria x ananassa",
    "ZEAMX": "Zea mays",
    "HELAN": "Helianthus annuus",
}
ENGLISH_PAIRS = {
    "LACSA": "Lettuce",
    "DAUCS": "Carrot",
    "ALLCE": "Onion",
    "CHEAL": "Lambsquarters",
    "POROL": "Purslane",
    "DIGSA": "Hairy crabgrass",
}

# Codes that public lists carry beside EPPO's; TRIAE is Weed Science's of 1984, ZEAMA the
# example of encyclopedia articles on EPPO codes.
OUTDATED = {
    "ZEAMA": "ZEAMX",
    "PISSA": "PIBSX",
    "CAPAN": "CPSAN",
    "CUCME": "CUMME",
    "HEFAN": "HELAN",
    "MALDO": "MABSD",
    "OLEAE": "OLVEU",
    "BETVU": "BEAVX",
    "TRIAE": "TRZAX",
}


# --- the shipped list ---------------------------------------------------------------------


@pytest.mark.parametrize("entry", KNOWN.values(), ids=lambda entry: entry.code)
def test_every_entry_is_well_formed(entry: Species) -> None:
    """Five letters for plants, a digit first for groups: EPPO, "EPPO Codes and EPPT", 2011."""
    assert is_eppo_code(entry.code)
    assert entry.code[0].isdigit() == (entry.rank is Rank.GROUP)
    assert entry.name_en
    assert entry.code_source in {
        "EPPO slides of 2011 (copy)",
        "pair seen in a secondary source",
        "code seen in a secondary list",
        "from memory",
    }
    if entry.rank is Rank.SPECIES:
        assert entry.scientific_name
        assert entry.family.endswith("aceae")
    assert entry.family == "" or entry.family.endswith("aceae")


@pytest.mark.parametrize("code", ["SOLTU", "1SOLG", "1SOLF", "1PLAK", "1BEMIG", "1ANIMK", "3UMRC"])
def test_published_codes_have_the_form(code: str) -> None:
    """EPPO, "EPPO Codes and EPPT", 2011; 3UMRC from a public list."""
    assert is_eppo_code(code)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "DAUC",
        "BEMITA",
        "daucs",
        "DAUCS ",
        "DAUCS\n",
        "DÄUCS",
        "1SOL",
        "12SOL",
        "1SOLGXX",
        "x-a",
    ],
)
def test_other_texts_have_not(text: str) -> None:
    """BEMITA is EPPO's own example of an animal, which has six letters."""
    assert not is_eppo_code(text)


@pytest.mark.parametrize(("code", "name"), SCIENTIFIC_PAIRS.items())
def test_scientific_names_agree_with_other_lists(code: str, name: str) -> None:
    found = KNOWN[code].scientific_name
    assert found == name or found.startswith(f"{name} subsp. ")


@pytest.mark.parametrize(("code", "name"), ENGLISH_PAIRS.items())
def test_english_names_agree_with_other_lists(code: str, name: str) -> None:
    entry = KNOWN[code]
    assert name.casefold() in {entry.name_en.casefold(), *(a.casefold() for a in entry.aliases)}


def test_spanish_weeds_are_the_group_of_weeds() -> None:
    """3WEEDT stands beside "Malas hierbas" in a public copy of a Spanish register."""
    assert KNOWN["3WEEDT"].name_es == "malas hierbas"
    assert KNOWN["3WEEDT"].rank is Rank.GROUP


@pytest.mark.parametrize(("outdated", "current"), OUTDATED.items())
def test_outdated_codes_find_the_current_one(outdated: str, current: str) -> None:
    assert outdated not in KNOWN
    assert species(outdated, KNOWN).code == current


def test_families_follow_apg() -> None:
    """APG IV (2016) merged or emptied these families as far as the list goes: from memory."""
    families = {entry.family for entry in KNOWN.values()}
    gone = {"Chenopodiaceae", "Alliaceae", "Fumariaceae", "Valerianaceae", "Hydrophyllaceae"}
    assert not families & (gone | {"Scrophulariaceae", "Myrsinaceae", "Tiliaceae"})


def test_a_genus_lies_in_one_family() -> None:
    families: dict[str, set[str]] = {}
    for entry in KNOWN.values():
        if entry.rank is Rank.SPECIES:
            families.setdefault(entry.scientific_name.split()[0], set()).add(entry.family)
    assert [genus for genus, found in families.items() if len(found) > 1] == []


def test_no_code_name_or_alias_stands_for_two_plants() -> None:
    holders: dict[str, set[str]] = {}
    for entry in KNOWN.values():
        names = [entry.code, entry.name_en, entry.name_de, entry.name_es, *entry.aliases]
        if entry.rank is Rank.SPECIES:
            names.append(entry.scientific_name)
        for name in filter(None, names):
            holders.setdefault(name.casefold(), set()).add(entry.code)
    assert {name: codes for name, codes in holders.items() if len(codes) > 1} == {}


def test_the_file_is_sorted_and_tidy() -> None:
    text = (resources.files("weedset") / "data" / "species.csv").read_text("utf-8")
    rows = list(csv.reader(text.splitlines()))[1:]
    assert [row[0] for row in rows] == sorted({row[0] for row in rows})
    assert all(cell == " ".join(cell.split()) for row in rows for cell in row)


def test_the_list_serves_gardens_with_weeds_and_crops() -> None:
    roles = [entry.usual_role for entry in KNOWN.values()]
    assert roles.count(Role.WEED) >= 60
    assert roles.count(Role.CROP) >= 40
    for code in ("POROL", "TAROF", "AMARE", "SOLTU"):
        assert KNOWN[code].usual_role is Role.EITHER


# --- looking up ---------------------------------------------------------------------------


@given(st.sampled_from(sorted(KNOWN)), st.sampled_from([str.upper, str.lower, str.title]))
def test_case_and_blanks_do_not_matter(code: str, recase: object) -> None:
    assert callable(recase)
    assert species(f" {recase(code)}\t", KNOWN) is KNOWN[code]


@pytest.mark.parametrize(
    ("text", "suggestion"),
    [
        ("DAUCC", "DAUCS (carrot)"),
        ("zeamy", "ZEAMX (maize)"),
        ("maize", "ZEAMX (maize)"),
        ("zanahorria", "DAUCS (carrot)"),
        ("Gewönlicher Löwenzan", "TAROF (dandelion)"),
        ("eggplannt", "SOLME (aubergine)"),
    ],
)
def test_an_unknown_code_is_told_its_neighbours(text: str, suggestion: str) -> None:
    with pytest.raises(UnknownSpeciesError, match="is not the code of a known plant") as caught:
        species(text, KNOWN, "policy.toml: remove")
    assert caught.value.where == "policy.toml: remove"
    assert suggestion in caught.value.fix
    assert caught.value.fix.startswith("did you mean ")


@pytest.mark.parametrize("text", ["", "  ", "\x1b[31m", "qqqqq", "Q" * 1_000_000, "x-nothing"])
def test_a_text_like_no_code_is_told_what_to_do(text: str) -> None:
    with pytest.raises(UnknownSpeciesError) as caught:
        species(text, KNOWN)
    assert "search the species list" in caught.value.fix
    assert len(str(caught.value)) < 300
    assert "\x1b" not in str(caught.value)


def test_require_codes_keeps_order_and_renews_codes() -> None:
    assert require_codes([" tarof", "ZEAMA", "3weedt"], "here", KNOWN) == (
        "TAROF",
        "ZEAMX",
        "3WEEDT",
    )
    assert require_codes([], "here", KNOWN) == ()


def test_require_codes_names_the_field_and_the_first_unknown() -> None:
    with pytest.raises(UnknownSpeciesError, match=r"^labels.csv: row 3: 'NOPE1'"):
        require_codes(["TAROF", "NOPE1", "NOPE2"], "labels.csv: row 3", KNOWN)


@pytest.mark.parametrize("codes", [["TAROF", "tarof"], ["ZEAMX", "DAUCS", "ZEAMA"]])
def test_require_codes_refuses_a_plant_named_twice(codes: list[str]) -> None:
    with pytest.raises(LabelError, match=r"^checklist: names (TAROF|ZEAMX) twice"):
        require_codes(codes, "checklist", KNOWN)


# --- searching ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("zanahoria", "DAUCS"),
        ("Löwenzahn", "TAROF"),
        ("lowenzahn", "TAROF"),
        ("LOEWENZAHN", "TAROF"),
        ("Lo\u0308wenzahn", "TAROF"),
        ("diente de leon", "TAROF"),
        ("maiz", "ZEAMX"),
        ("ZEAMA", "ZEAMX"),
        ("corn", "ZEAMX"),
        ("weisser ganse", "CHEAL"),
        ("Weißer Gänsefuß", "CHEAL"),
        ("shepherds purse", "CAPBP"),
        ("shepherd’s", "CAPBP"),
        ("smooth sow thistle", "SONOL"),
        ("Fragaria × ananassa", "FRAAN"),
        ("malas hierbas", "3WEEDT"),
    ],
)
def test_search_finds(text: str, first: str) -> None:
    assert search(text, KNOWN, 5)[0].code == first


def test_search_puts_whole_before_beginning_before_middle() -> None:
    codes = [entry.code for entry in search("carrot", KNOWN)]
    assert codes == ["DAUCS", "DAUCA"]
    codes = [entry.code for entry in search("mint", KNOWN, 50)]
    assert codes.index("MENAR") < codes.index("MENPI")  # corn mint before peppermint


def test_search_has_limits() -> None:
    assert len(search("a", KNOWN, 7)) == 7
    assert search("a", KNOWN, 0) == []
    assert search("  ", KNOWN) == []
    assert search("qqqqq", KNOWN) == []


@given(st.sampled_from(sorted(KNOWN)))
def test_a_plant_is_found_by_each_of_its_names(code: str) -> None:
    entry = KNOWN[code]
    for name in filter(None, (entry.name_en, entry.name_de, entry.name_es, entry.code)):
        assert entry in search(name.upper(), KNOWN, 5)


@given(st.text())
def test_search_takes_any_text(text: str) -> None:
    assert len(search(text, KNOWN, 3)) <= 3


# --- a garden's own plants ----------------------------------------------------------------


def own(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "own.csv"
    path.write_bytes(text.encode("utf-8"))
    return path


def test_own_plants_join_the_shipped_ones(tmp_path: Path) -> None:
    known = load_species(own(tmp_path, "\ufeff" + HEADER.replace("\n", "\r\n") + KOHL))
    assert len(known) == len(KNOWN) + 1
    assert species("X-Palm-Kale", known).name_de == "Palmkohl"
    assert [entry.code for entry in search("palmkohl", known)] == ["x-palm-kale"]
    assert "x-palm-kale" not in load_species()


def test_columns_may_stand_in_another_order(tmp_path: Path) -> None:
    columns, cells = HEADER.strip().split(","), KOHL.strip().split(",")
    text = ",".join(reversed(columns)) + "\n" + ",".join(reversed(cells)) + "\n"
    assert load_species(own(tmp_path, text))["x-palm-kale"].family == "Brassicaceae"


def test_html_in_a_name_is_just_text(tmp_path: Path) -> None:
    name = "<script>alert(1)</script>"
    known = load_species(own(tmp_path, HEADER + KOHL.replace("palm kale", name)))
    assert known["x-palm-kale"].name_en == name


def test_an_eppo_code_given_later_finds_the_own_plant(tmp_path: Path) -> None:
    known = load_species(own(tmp_path, HEADER + KOHL.replace(",,,local", ",,QQQQQ,local")))
    assert require_codes(["QQQQQ"], "here", known) == ("x-palm-kale",)


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ("", r"own.csv: has missing or unknown columns: 'aliases, code_source, eppo_code"),
        (HEADER.replace(",family", ""), r"columns: 'family'"),
        (HEADER.replace("\n", ",notes\n"), r"columns: 'notes'"),
        (HEADER.replace("\n", ",family\n"), r"columns: 'one column twice'"),
        (HEADER.replace(",", ";"), r"missing or unknown columns"),
        (HEADER + KOHL + KOHL, r"line 3: 'x-palm-kale' already stands for x-palm-kale"),
        (HEADER + KOHL.replace(",,,local", ",,DAUCS,local"), r"'DAUCS' already stands for DAUCS"),
        (HEADER + KOHL.replace(",,,local", ",,ZEAMA,local"), r"'ZEAMA' already stands for ZEAMX"),
        (
            HEADER + KOHL.replace("x-palm-kale", "DAUCS"),
            r"line 2: eppo_code: 'DAUCS' is not a code",
        ),
        (HEADER + KOHL.replace("x-palm-kale", "QQQQQ"), r"'QQQQQ' is not a code of your own"),
        (HEADER + KOHL.replace("x-palm-kale", "x-"), r"'x-' is not a code of your own"),
        (HEADER + KOHL.replace("x-palm-kale", "x-Kale"), r"'x-Kale' is not a code of your own"),
        (HEADER + KOHL.replace("x-palm-kale", "x-a/../b"), r"is not a code of your own"),
        (HEADER + KOHL.replace(",local", ",EPPO"), r"is not a code of your own"),
        (HEADER + KOHL.replace(",species,", ",genus,"), r"line 2: rank: is 'genus', not one of"),
        (HEADER + KOHL.replace(",crop,", ",,"), r"line 2: usual_role: should be a text"),
        (HEADER + KOHL.replace("kale,P", "kale,x,P"), r"line 2: has 11 cells, not 10"),
        (HEADER + "x-a\n", r"line 2: has 1 cells, not 10"),
        (HEADER + "x-a,species,,,crop,,,,kale,local\n", r"name_en: is blank, and so is every"),
        (HEADER + KOHL.replace("palm kale", "k" * 201), r"line 2: name_en: is longer than 200"),
        (HEADER + KOHL.replace("palm kale", "\x1b[2J"), r"name_en: .* unprintable"),
        (HEADER + KOHL.replace("palm kale", "kale\u202eelak"), r"name_en: .* unprintable"),
        (HEADER + KOHL.replace("palm kale", "kale\x00"), r"name_en: .* unprintable"),
        (HEADER + KOHL.replace("palm kale", '"palm\nkale"'), r"line 3: name_en: .* unprintable"),
        (HEADER + KOHL.replace("palm kale", '"palm kale'), r"is not valid CSV"),
        (HEADER + KOHL.replace("palm kale", "k" * 200_000), r"is not valid CSV"),
    ],
)
def test_a_bad_list_is_refused_and_says_where(tmp_path: Path, text: str, complaint: str) -> None:
    with pytest.raises(SettingsError, match=complaint) as caught:
        load_species(own(tmp_path, text))
    assert "own.csv" in caught.value.where
    assert len(str(caught.value)) < 600


def test_a_list_that_is_not_utf_8_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "own.csv"
    path.write_bytes((HEADER + KOHL.replace("palm kale", "Grünkohl")).encode("latin-1"))
    with pytest.raises(SettingsError, match="UTF-8"):
        load_species(path)


def test_a_list_that_is_not_there_is_refused(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="no such file"):
        load_species(tmp_path / "none.csv")
