import pytest

from bitewatch.position.evidence import EvidenceStatus, checked_source, evidence_table
from bitewatch.position.rulebook import default_book


def test_every_study_tells_who_found_what_and_how_it_is_known():
    table = evidence_table()
    assert len(table) == 32
    assert table["guy-1994"].citation == "Guy, Willis & Jackson 1994, Trans. Am. Fish. Soc. 123:63-70"
    assert table["missouri-tags"].status is EvidenceStatus.SECOND_HAND
    assert {study.id for study in table.values() if study.status is EvidenceStatus.OWN_ANALYSIS} == {
        "own-nettings",
        "own-telemetry",
    }


def test_notes_of_rules_name_only_studies_that_the_rule_or_the_table_has():
    for rule in default_book().rule:
        words = {word.strip(".,;:()") for word in rule.source_note.split()}
        named = {word for word in words if word[-4:].isdigit() and "-" in word and not word[0].isdigit()}
        assert named <= set(evidence_table()), rule.id


def test_a_source_is_a_study_practice_or_ones_own():
    for source in ("guy-1992", "common practice", "own"):
        assert checked_source(source) == source
    with pytest.raises(ValueError, match="did you mean pope-1997"):
        checked_source("pope-1998")
    with pytest.raises(ValueError, match='write "own", "common practice" or the id'):
        checked_source("?")
