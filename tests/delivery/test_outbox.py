"""Deciding once, claiming once, the gate, and what a start makes of rows that were left in the middle."""

import json
from datetime import date, timedelta

import pytest
from sqlalchemy import func, select, update

from bitewatch.delivery.address import Address, Kind
from bitewatch.delivery.decide import Owed, Verdict, decide_failed
from bitewatch.delivery.endpoints import (
    Suppression,
    add_endpoint,
    disable_endpoint,
    find_endpoint,
    new_webhook_secret,
    read_endpoint,
    suppress_endpoint,
)
from bitewatch.delivery.frozen import read_frozen
from bitewatch.delivery.identity import message_key
from bitewatch.delivery.outbox import (
    GateShut,
    Shut,
    cancel_messages,
    claim,
    gate,
    mark_deferred,
    mark_failed,
    mark_sent,
    mark_shut,
    mark_unknown,
    sweep_expired,
)
from bitewatch.delivery.recovery import MOST_CRASHES, next_epoch, recover
from bitewatch.delivery.tables import decision, outbox
from bitewatch.store.metadata import body

KEY = "s1:2026-06-01:brief:0"


@pytest.fixture
def pat(post) -> str:
    return post.endpoint(Kind.EMAIL, "pat@example.com")


def take(post):
    with post.store.write() as connection:
        return claim(connection, epoch=post.epoch, now=post.now)


def open_gate(post, claimed) -> None:
    with post.store.write() as connection:
        gate(connection, claimed, now=post.now)


def settle(post, mark, claimed, **given) -> bool:
    with post.store.write() as connection:
        done: bool = mark(connection, claimed, now=post.now, **given)
        return done


def test_an_endpoint_stands_once_and_its_secret_is_not_shown(post) -> None:
    secret = new_webhook_secret()
    address = Address(kind=Kind.WEBHOOK, value="https://example.org/hook")
    with post.store.write() as connection:
        first = add_endpoint(connection, address, now=post.now, secret=secret, by_operator=True)
        again = add_endpoint(connection, address, now=post.now, secret=new_webhook_secret(), by_operator=False)
        assert first == again == find_endpoint(connection, address)
        found = read_endpoint(connection, first)
    assert found.secret.get_secret_value() == secret
    assert found.lan_allowed
    assert secret not in repr(found) + str(found)


@pytest.mark.parametrize(("kind", "secret"), [(Kind.WEBHOOK, None), (Kind.EMAIL, "whsec_x"), (Kind.FILE, "whsec_x")])
def test_a_webhook_has_a_secret_and_nothing_else(post, kind: Kind, secret: str | None) -> None:
    with post.store.write() as connection, pytest.raises(ValueError, match="secret"):
        add_endpoint(connection, Address(kind=kind, value="x"), now=post.now, secret=secret, by_operator=True)


def test_a_message_is_decided_once_and_the_first_body_stands(post, pat: str) -> None:
    assert post.decide(pat).verdict is Verdict.OWED
    post.later(minutes=1)
    assert post.decide(pat).verdict is Verdict.ALREADY
    assert post.decide(pat, subject="another").verdict is Verdict.FIRST_STANDS
    row = post.row()
    assert (row.state, row.channel, row.attempts, row.uncertain) == ("pending", "email", 0, 0)
    with post.store.read() as connection:
        assert connection.execute(select(func.count()).select_from(outbox)).scalar() == 1
        assert connection.execute(select(func.count()).select_from(decision)).scalar() == 1
        frozen = read_frozen(connection, key=row.key, message_id=row.message_id, payload=row.payload)
    assert frozen.message == post.make()
    assert frozen.webhook_body == (
        b'{"data":{"depth_m":1.5,"pace":"slow"},"timestamp":"2026-06-01T09:30:00Z","type":"bitewatch.brief"}'
    )
    assert row.message_id == f"<{frozen.stem}.v1@example.org>"
    assert len(frozen.stem) == 32
    assert KEY not in row.message_id


def test_both_rows_or_neither(post, pat: str) -> None:
    owed = Owed(
        subscription="s1", local_date=date(2026, 6, 1), kind="brief", seq=0, endpoint="nobody",
        expires_at=post.now + timedelta(hours=1), inputs_ref="",
    )  # fmt: skip
    with pytest.raises(KeyError), post.store.write() as connection:
        decide_failed(connection, owed, "x", now=post.now, domain="example.org")
    with post.store.read() as connection:
        assert connection.execute(select(func.count()).select_from(decision)).scalar() == 0


def test_bodies_and_pictures_are_kept_once_for_many_readers(post, pat: str) -> None:
    for n in range(5):
        post.decide(pat, subscription=f"s{n}")
    with post.store.read() as connection:
        assert connection.execute(select(func.count()).select_from(body)).scalar() == 4
    assert "pat@example.com" not in post.row().payload


@pytest.mark.parametrize(
    "changes",
    [
        {"html": '<img src="cid:gone">'},
        {"data": {"x": float("nan")}},
        {"data": {"x": object()}},
        {"data": {"x": "\ud800"}},
    ],
)
def test_what_cannot_be_frozen_is_dead_from_the_start_and_seen(post, pat: str, changes) -> None:
    assert post.decide(pat, **changes).verdict is Verdict.UNSENDABLE
    row = post.row()
    assert row.state == "dead"
    assert row.last_error.startswith("render: ")
    assert post.events() == [("MessageFailed", KEY, row.last_error)]
    assert take(post) is None


def test_a_webhook_body_that_no_receiver_takes_is_dead(post) -> None:
    hook = post.endpoint(Kind.WEBHOOK, "https://example.org/hook")
    assert post.decide(hook, data={"x": "y" * 20_000}).verdict is Verdict.UNSENDABLE
    assert "20" in post.row().last_error


def test_a_brief_that_could_not_be_composed(post, pat: str) -> None:
    owed = Owed(
        subscription="s1", local_date=date(2026, 6, 1), kind="brief", seq=0, endpoint=pat,
        expires_at=post.now + timedelta(hours=1), inputs_ref="issue 1",
    )  # fmt: skip
    with post.store.write() as connection:
        decided = decide_failed(connection, owed, "KeyError: 'x'", now=post.now, domain="example.org")
    assert decided.is_new
    assert (post.row().state, post.row().last_error) == ("dead", "render: KeyError: 'x'")
    assert not post.decide(pat).is_new


def test_nothing_is_owed_to_who_left_or_to_what_is_gone(post, pat: str) -> None:
    hook = post.endpoint(Kind.WEBHOOK, "https://example.org/hook")
    with post.store.write() as connection:
        suppress_endpoint(connection, pat, reason=Suppression.UNSUBSCRIBED, evidence="x", now=post.now)
        disable_endpoint(connection, hook, reason="410")
    assert post.decide(pat).verdict is Verdict.CANCELLED
    assert post.decide(hook, subscription="s2").verdict is Verdict.CANCELLED
    assert (post.row().state, post.row().last_error) == ("cancelled", "suppressed: unsubscribed")
    assert post.row("s2:2026-06-01:brief:0").last_error == "disabled: 410"


def test_a_key_cannot_be_forged_with_a_colon() -> None:
    with pytest.raises(ValueError, match="colon"):
        message_key("s1:2026-06-01", date(2026, 6, 1), "brief", 0)


def test_the_longest_due_is_claimed_first_and_once(post, pat: str) -> None:
    post.decide(pat, subscription="late")
    post.now -= timedelta(minutes=5)
    post.decide(pat, subscription="early")
    post.later(minutes=10)
    assert [take(post).key.partition(":")[0] for _ in range(2)] == ["early", "late"]
    assert take(post) is None
    assert post.tries("late:2026-06-01:brief:0") == ["claimed"]


def test_what_is_not_due_paused_or_suppressed_is_not_claimed(post, pat: str) -> None:
    post.decide(pat)
    with post.store.write() as connection:
        for without in ([Kind.EMAIL], [Kind.EMAIL, Kind.FILE]):
            assert claim(connection, epoch=1, now=post.now, without=without) is None
        assert claim(connection, epoch=1, now=post.now - timedelta(seconds=1)) is None
        assert claim(connection, epoch=1, now=post.now + timedelta(hours=14)) is None
        suppress_endpoint(connection, pat, reason=Suppression.OPERATOR, evidence="", now=post.now)
    assert take(post) is None


def test_the_whole_way_of_a_good_message(post, pat: str) -> None:
    post.decide(pat)
    claimed = take(post)
    assert post.row().state == "sending"
    open_gate(post, claimed)
    assert post.row().state == "committing"
    post.later(seconds=3)
    assert settle(post, mark_sent, claimed, reply="taken")
    row = post.row()
    assert (row.state, row.sent_at, row.last_error) == ("sent", post.now, None)
    assert post.tries() == ["sent"]
    assert post.events() == [("MessageSent", KEY, "taken")]


def test_an_outcome_is_written_once(post, pat: str) -> None:
    post.decide(pat)
    claimed = take(post)
    assert settle(post, mark_failed, claimed, reason="550")
    assert not settle(post, mark_sent, claimed, reply="taken")
    assert post.row().state == "dead"
    assert len(post.events()) == 1


def test_the_gate_is_shut_for_an_older_epoch(post, pat: str) -> None:
    post.decide(pat)
    zombie = take(post)
    post.start()
    owner = take(post)
    for claimed, why in ((zombie, Shut.LOST),):
        with pytest.raises(GateShut) as shut:
            open_gate(post, claimed)
        assert shut.value.why is why
        assert not settle(post, mark_shut, claimed, why=why)
        assert not settle(post, mark_sent, claimed, reply="taken")
    open_gate(post, owner)
    with pytest.raises(GateShut):
        open_gate(post, owner)


def test_the_gate_is_shut_for_the_late_the_cancelled_and_who_left(post, pat: str) -> None:
    ends = {}
    kim = post.endpoint(Kind.EMAIL, "kim@example.com")
    for name in ("late", "left", "cancelled"):
        post.decide(kim if name == "late" else pat, subscription=name)
        ends[name] = take(post)
    with post.store.write() as connection:
        assert cancel_messages(connection, now=post.now, reason="the subscription ended", subscription="cancelled") == 1
    with pytest.raises(GateShut) as shut:
        open_gate(post, ends["cancelled"])
    assert shut.value.why is Shut.LOST
    assert post.row("cancelled:2026-06-01:brief:0").state == "cancelled"

    with post.store.write() as connection:
        suppress_endpoint(connection, pat, reason=Suppression.UNSUBSCRIBED, evidence="", now=post.now)
    with pytest.raises(GateShut) as shut:
        open_gate(post, ends["left"])
    assert settle(post, mark_shut, ends["left"], why=shut.value.why)
    assert post.row("left:2026-06-01:brief:0").state == "cancelled"

    post.later(hours=14)
    with pytest.raises(GateShut) as shut:
        open_gate(post, ends["late"])
    assert settle(post, mark_shut, ends["late"], why=shut.value.why)
    assert post.row("late:2026-06-01:brief:0").state == "expired"


def test_cancelling_one_subscription_leaves_the_others(post, pat: str) -> None:
    for name in ("s1", "s_", "s%", "s12"):
        post.decide(pat, subscription=name)
    with post.store.write() as connection:
        assert cancel_messages(connection, now=post.now, reason="ended", subscription="s_") == 1
        assert cancel_messages(connection, now=post.now, reason="gone", endpoint=pat) == 3
        with pytest.raises(ValueError, match="one"):
            cancel_messages(connection, now=post.now, reason="all")


def test_what_was_not_sent_in_time_expires_with_its_reason(post, pat: str) -> None:
    post.decide(pat, subscription="tried")
    claimed = take(post)
    settle(post, mark_deferred, claimed, reason="452 mailbox full", not_before=post.now + timedelta(minutes=1))
    post.decide(pat, subscription="untried")
    with post.store.write() as connection:
        assert sweep_expired(connection, now=post.now) == 0
        assert sweep_expired(connection, now=post.now + timedelta(hours=14)) == 2
        assert sweep_expired(connection, now=post.now + timedelta(hours=15)) == 0
    assert post.row("tried:2026-06-01:brief:0").last_error == "452 mailbox full"
    assert post.row("untried:2026-06-01:brief:0").last_error == "late"
    assert {name for name, _, _ in post.events()} == {"MessageFailed"}


def test_an_unknown_mail_is_sent_once_more_and_no_more(post, pat: str) -> None:
    post.decide(pat)
    for expected in ("pending", "dead"):
        claimed = take(post)
        open_gate(post, claimed)
        settle(post, mark_unknown, claimed, reason="no answer", not_before=post.now)
        assert post.row().state == expected
    assert post.row().last_error == "unknown outcome: no answer"
    assert take(post) is None


def test_a_start_gives_back_what_was_not_sent_and_counts_what_may_have_been(post, pat: str) -> None:
    post.decide(pat, subscription="before")
    post.decide(pat, subscription="beyond")
    for name in ("before", "beyond"):
        claimed = take(post)
        assert claimed.key.startswith(name)
    open_gate(post, claimed)
    with post.store.write() as connection:
        epoch = next_epoch(connection)
        found = recover(connection, epoch=epoch, now=post.now)
        assert (found.not_sent, found.unknown) == (1, 1)
        again = recover(connection, epoch=epoch, now=post.now)
        assert (again.not_sent, again.unknown) == (0, 0)
    assert post.row("before:2026-06-01:brief:0").uncertain == 0
    assert post.row("beyond:2026-06-01:brief:0").uncertain == 1
    assert {post.row(f"{name}:2026-06-01:brief:0").state for name in ("before", "beyond")} == {"pending"}


def test_a_start_leaves_the_rows_of_its_own_epoch(post, pat: str) -> None:
    post.decide(pat)
    take(post)
    with post.store.write() as connection:
        recover(connection, epoch=post.epoch, now=post.now)
    assert post.row().state == "sending"


def test_a_row_that_crashes_the_process_is_stopped(post, pat: str) -> None:
    post.decide(pat)
    for _ in range(MOST_CRASHES):
        assert post.row().state == "pending"
        take(post)
        post.start()
    assert (post.row().state, post.row().last_error) == ("dead", "crashes the process")
    assert post.tries() == ["crashed"] * MOST_CRASHES


def test_a_webhook_of_unknown_outcome_goes_by_its_schedule_until_the_tenth_try(post) -> None:
    post.decide(post.endpoint(Kind.WEBHOOK, "https://example.org/hook"))
    for n in range(1, 11):
        claimed = take(post)
        assert claimed.attempts == n
        open_gate(post, claimed)
        post.start()
    assert post.row().state == "dead"


def test_epochs_grow_and_are_kept(post) -> None:
    with post.store.write() as connection:
        assert next_epoch(connection) == post.epoch + 1
    with post.store.write() as connection:
        assert next_epoch(connection) == post.epoch + 2


def test_an_event_tells_when_the_next_try_is(post, pat: str) -> None:
    from bitewatch.store.metadata import event

    post.decide(pat)
    settle(post, mark_deferred, take(post), reason="450", not_before=post.now + timedelta(minutes=1))
    with post.store.read() as connection:
        details = json.loads(connection.execute(select(event.c.details)).scalar_one())
    assert details == {"channel": "email", "not_before": "2026-06-01T09:31:00+00:00", "state": "pending", "try": 1}


def test_a_stored_stem_survives_a_changed_secret(post, pat: str) -> None:
    from bitewatch.store.facts import set_fact

    post.decide(pat)
    before = post.row()
    with post.store.write() as connection:
        set_fact(connection, "install_secret", "ff" * 32)
        connection.execute(update(outbox).values(not_before=post.now))
    claimed = take(post)
    assert (claimed.message_id, claimed.payload) == (before.message_id, before.payload)
