"""The publisher against a real mosquitto. Rules named MQTT-x are those of MQTT 3.1.1 (OASIS 2014)."""

from __future__ import annotations

import getpass
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from status_broker import DEADLINE_S, Broker, Gate, Listener, free_port, wait_until
from status_samples import SUBJECT, sample

from chargerd.core.events import Tripped
from chargerd.status.mailbox import EVENTS_MAX
from chargerd.status.mqtt import Publisher
from chargerd.status.snapshot import EVENT_SCHEMA, ONLINE_SCHEMA, STATUS_SCHEMA, make_event

Listen = Callable[[int], Listener]
BASE = "home/chargers/boathouse"


def event(number: int) -> dict[str, Any]:
    return make_event(SUBJECT, Tripped("over-voltage", 2.76, 2.75), seq=number, utc="2025-05-04T02:14:05Z")


@pytest.fixture
def publish() -> Iterator[Callable[..., Publisher]]:
    opened: list[Publisher] = []

    def start(port: int, **options: Any) -> Publisher:
        publisher = Publisher("127.0.0.1", port, prefix="home/chargers", bench="boathouse", **options)
        opened.append(publisher)
        publisher.start()
        return publisher

    yield start
    for publisher in opened:
        publisher.close(DEADLINE_S)
        assert publisher.state().alive is False


Publish = Callable[..., Publisher]


def last(listener: Listener, topic_end: str) -> Any:
    payloads = listener.payloads(topic_end)
    return json.loads(payloads[-1]) if payloads else None


def online(listener: Listener) -> list[str]:
    """What was said on `online`, in order: "" for online, else the reason."""
    return [json.loads(payload)["reason"] for payload in listener.payloads("/online")]


def is_valid(payload: Any, schema: dict[str, Any]) -> bool:
    return bool(jsonschema.Draft202012Validator(schema).is_valid(payload))


@pytest.mark.peer
def test_a_late_subscriber_sees_the_retained_status_and_the_birth(broker: Broker, listen: Listen, publish: Publish) -> None:
    publisher = publish(broker.port)
    publisher.offer(sample())
    wait_until(lambda: publisher.state().sent_statuses == 1, "the status is confirmed")
    listener = listen(broker.port)
    wait_until(lambda: len(listener.messages) >= 2, "both retained messages are delivered")

    assert {message.topic for message in listener.messages} == {f"{BASE}/north/status", f"{BASE}/online"}
    assert all(message.retain and message.qos == 1 for message in listener.messages)
    assert last(listener, "/status") == json.loads(sample().to_json())
    assert is_valid(last(listener, "/status"), STATUS_SCHEMA)
    assert is_valid(last(listener, "/online"), ONLINE_SCHEMA)
    assert last(listener, "/online")["online"] is True


@pytest.mark.peer
def test_events_arrive_once_each_and_valid_but_are_not_retained(broker: Broker, listen: Listen, publish: Publish) -> None:
    listener = listen(broker.port)
    publisher = publish(broker.port)
    for number in range(30):
        publisher.event(event(number))
    wait_until(lambda: publisher.state().sent_events == 30, "all events are confirmed")
    wait_until(lambda: len(listener.payloads("/north/event")) == 30, "all events are delivered")

    assert [json.loads(payload)["id"] for payload in listener.payloads("/event")] == [event(n)["id"] for n in range(30)]
    assert is_valid(last(listener, "/event"), EVENT_SCHEMA)

    late = listen(broker.port)
    wait_until(lambda: bool(late.payloads("/online")), "the retained message is delivered")

    assert late.payloads("/event") == []


@pytest.mark.peer
def test_no_event_is_lost_when_the_broker_is_killed_and_restarted(
    broker: Broker, gate: Gate, listen: Listen, publish: Publish
) -> None:
    before = listen(broker.port)
    publisher = publish(gate.port)
    publisher.offer(sample(valid_for_s=600.0))
    for number in range(20):
        publisher.event(event(number))
    wait_until(lambda: len(before.payloads("/event")) == 20, "the first events are delivered")
    wait_until(lambda: publisher.state().sent_events == 20, "the first events are confirmed")
    broker.freeze()  # what is sent now is on its way when the broker dies
    for number in range(20, 40):
        publisher.event(event(number))
    wait_until(lambda: not publisher.state().connected, "the frozen broker is given up")
    gate.is_open = False
    broker.kill()
    broker.start()
    after = listen(broker.port)
    gate.is_open = True
    for number in range(40, 60):
        publisher.event(event(number))
    wait_until(lambda: publisher.state().sent_events == 60, "the last events are confirmed")
    wait_until(lambda: len(after.payloads("/event")) >= 40, "the last events are delivered")
    seen = {json.loads(payload)["id"] for payload in before.payloads("/event") + after.payloads("/event")}

    assert seen == {event(number)["id"] for number in range(60)}
    assert publisher.state().lost_events == 0
    # The broker kept nothing: the last status is there again without a new one having been offered.
    wait_until(lambda: last(after, "/status") is not None, "the last status is there again")
    assert last(after, "/status")["unknown_since"] is None
    assert last(after, "/online")["online"] is True


CHILD = """
import os, sys, threading
from status_samples import sample
from chargerd.status.mqtt import Publisher
publisher = Publisher("127.0.0.1", int(sys.argv[1]), prefix="home/chargers", bench="boathouse")
publisher.start()
publisher.offer(sample())
while publisher.state().sent_statuses == 0:
    threading.Event().wait(0.01)
sys.stdin.readline()
os._exit(9)
"""


@pytest.fixture
def child(broker: Broker, listen: Listen) -> Iterator[subprocess.Popen[bytes]]:
    """A process with a publisher that has said it is online and dies without a word when its input ends."""
    listener, here = listen(broker.port), Path(__file__).parent
    environment = dict(os.environ, PYTHONPATH=os.pathsep.join([str(here), str(here.parent.parent)]))
    with subprocess.Popen([sys.executable, "-c", CHILD, str(broker.port)], stdin=subprocess.PIPE, env=environment) as process:
        wait_until(lambda: bool(listener.payloads("/status")), "the child's status is seen")
        yield process
        process.kill()


@pytest.mark.peer
def test_the_will_says_lost_when_the_process_dies(
    broker: Broker, listen: Listen, child: subprocess.Popen[bytes]
) -> None:
    listener = listen(broker.port)
    assert child.stdin is not None
    child.stdin.close()
    assert child.wait(DEADLINE_S) == 9
    wait_until(lambda: online(listener) == ["", "lost"], "the will is seen")
    late = listen(broker.port)
    wait_until(lambda: last(late, "/online") is not None, "the retained will is seen")

    assert last(late, "/online") == {"online": False, "reason": "lost", "version": 1}
    assert is_valid(last(late, "/online"), ONLINE_SCHEMA)


@pytest.mark.peer
def test_a_restart_says_online_last_though_the_old_connection_is_still_half_open(
    broker: Broker, listen: Listen, publish: Publish, child: subprocess.Popen[bytes]
) -> None:
    listener = listen(broker.port)
    child.send_signal(signal.SIGSTOP)
    os.waitid(os.P_PID, child.pid, os.WSTOPPED)
    publisher = publish(broker.port)
    wait_until(lambda: publisher.state().connected, "the new one is connected")
    wait_until(lambda: len(online(listener)) == 3, "birth, will and birth are seen")

    assert online(listener) == ["", "lost", ""]


@pytest.mark.peer
def test_a_clean_close_says_stopped_after_the_final_status_and_leaves_no_will(
    broker: Broker, listen: Listen, publish: Publish
) -> None:
    listener = listen(broker.port)
    publisher = publish(broker.port)
    publisher.offer(sample())
    wait_until(lambda: publisher.state().sent_statuses == 1, "the status is confirmed")
    publisher.offer(sample(seq=9))  # nothing new in it: it waits its turn when close comes
    publisher.event(event(1))

    assert publisher.close(DEADLINE_S) is True

    wait_until(lambda: "stopped" in online(listener), "the farewell is seen")
    wait_until(lambda: f"Received DISCONNECT from {publisher.client_id}" in broker.log(), "the goodbye is in the broker's log")
    order = [message.topic.rsplit("/", 1)[1] for message in listener.messages]

    assert order[-1] == "online"
    assert last(listener, "/status")["seq"] == 9
    assert online(listener) == ["", "stopped"]
    assert is_valid(last(listener, "/online"), ONLINE_SCHEMA)


@pytest.mark.peer
def test_a_frozen_broker_delays_no_offer_and_the_mailbox_stays_bounded(
    broker: Broker, listen: Listen, publish: Publish
) -> None:
    publisher = publish(broker.port)
    wait_until(lambda: publisher.state().connected, "it is connected")
    broker.freeze()
    for number in range(EVENTS_MAX + 500):
        publisher.offer(sample(seq=number))
        publisher.event(event(number))
    state = publisher.state()

    assert state.waiting_events == EVENTS_MAX
    assert state.lost_events + state.waiting_events + state.sent_events == EVENTS_MAX + 500
    assert state.lost_events == 500

    broker.thaw()
    listener = listen(broker.port)
    wait_until(lambda: publisher.state().waiting_events == 0, "the events are sent once the broker is back")
    wait_until(lambda: (last(listener, "/status") or {}).get("seq") == EVENTS_MAX + 499, "the newest status is seen")
    wait_until(lambda: online(listener)[-1:] == [""], "it is online again")


@pytest.mark.peer
def test_a_frozen_broker_is_given_up_and_tried_again(broker: Broker, publish: Publish) -> None:
    publisher = publish(broker.port)
    wait_until(lambda: publisher.state().connected, "it is connected")
    broker.freeze()
    publisher.event(event(1))
    wait_until(lambda: publisher.state().attempts >= 2, "it tries again")

    assert any("timed out" in trouble for trouble in publisher.state().troubles)

    broker.thaw()
    wait_until(lambda: publisher.state().sent_events == 1, "the event is sent")


@pytest.mark.peer
def test_the_end_of_a_connection_is_noticed_with_nothing_to_say(broker: Broker, publish: Publish) -> None:
    publisher = publish(broker.port)
    wait_until(lambda: publisher.state().connected, "it is connected")
    broker.kill()
    wait_until(lambda: not publisher.state().connected, "the loss is noticed")

    assert publisher.state().alive


@pytest.mark.peer
def test_nothing_is_subscribed_and_nothing_received_whatever_others_publish(
    broker: Broker, listen: Listen, publish: Publish
) -> None:
    listener = listen(broker.port)
    listener.publish(f"{BASE}/north/command", b"start", retain=True)
    publisher = publish(broker.port)
    publisher.offer(sample())
    for number in range(300):
        for topic in ("command", "status", "event", "set"):
            listener.publish(f"{BASE}/north/{topic}", b'{"state":"RUNNING","start":true}', retain=number % 2 == 0)
    publisher.event(event(1))
    wait_until(lambda: publisher.state().sent_events == 1, "the event is confirmed")
    wait_until(lambda: len(listener.payloads("/command")) == 301, "the others' messages are delivered")
    log = broker.log()

    assert f"Received PUBLISH from {publisher.client_id}" in log
    assert "Received SUBSCRIBE from listener" in log  # such a line would be there
    assert "Sending PUBLISH to listener" in log
    assert f"Received SUBSCRIBE from {publisher.client_id}" not in log
    assert f"Sending PUBLISH to {publisher.client_id}" not in log


@pytest.mark.peer
def test_a_channel_that_falls_silent_is_published_as_unknown_since(broker: Broker, listen: Listen, publish: Publish) -> None:
    listener = listen(broker.port)
    publisher = publish(broker.port)
    publisher.offer(sample(valid_for_s=0.3))
    wait_until(lambda: (last(listener, "/status") or {}).get("unknown_since") is not None, "the silence is told")

    assert last(listener, "/status")["unknown_since"] == sample().utc
    assert last(listener, "/status")["sentence"].startswith("Unknown since 2025-05-04T02:14:05.123Z; before that: Charging")
    assert is_valid(last(listener, "/status"), STATUS_SCHEMA)


@pytest.mark.peer
def test_what_cannot_be_sent_is_counted_and_holds_nothing_up(broker: Broker, listen: Listen, publish: Publish) -> None:
    listener = listen(broker.port)
    publisher = publish(broker.port)
    bad: list[dict[str, Any]] = [
        {"id": "no channel"},
        {**event(1), "channel": "a/b"},
        {**event(1), "channel": "#"},
        {**event(1), "detail": {"much": "x" * 40_000}},
        {**event(1), "detail": object()},
    ]
    for item in [*bad, event(2)]:
        publisher.event(item)
    publisher.offer(sample(channel="no/good"))
    publisher.offer(sample())
    wait_until(lambda: publisher.state().sent_events == 1, "the good event is sent")
    wait_until(lambda: last(listener, "/status") is not None, "the good status is sent")
    state = publisher.state()

    assert (state.lost_events, state.refused_statuses, state.attempts) == (len(bad), 1, 1)
    assert {message.topic for message in listener.messages} == {
        f"{BASE}/online", f"{BASE}/north/event", f"{BASE}/north/status"
    }  # fmt: skip


def test_a_port_that_refuses_is_tried_again_later_and_close_does_not_hang(publish: Publish) -> None:
    publisher = publish(free_port())
    publisher.event(event(1))
    wait_until(lambda: len(publisher.state().troubles) >= 1, "the refusal is filed")

    assert publisher.close(DEADLINE_S) is False

    state = publisher.state()

    assert (state.alive, state.connected, state.waiting_events) == (False, False, 1)
    assert 2 <= state.attempts <= 3


def test_a_listener_that_says_nothing_is_given_up(publish: Publish) -> None:
    with socket.create_server(("127.0.0.1", 0)) as mute:
        publisher = publish(mute.getsockname()[1])
        wait_until(lambda: any("timed out" in trouble for trouble in publisher.state().troubles), "the silence is filed")

        assert publisher.close(DEADLINE_S) is False


def test_a_publisher_never_started_takes_offers_and_closes(capfd: pytest.CaptureFixture[str]) -> None:
    publisher = Publisher("127.0.0.1", 1, prefix="p", bench="boathouse")
    publisher.offer(sample())
    publisher.event(event(1))

    assert publisher.close() is False
    assert publisher.state().waiting_events == 1
    assert capfd.readouterr() == ("", "")


@pytest.mark.peer
def test_an_outage_is_filed_and_neither_printed_nor_logged(
    broker: Broker, publish: Publish, capfd: pytest.CaptureFixture[str], caplog: pytest.LogCaptureFixture
) -> None:
    publisher = publish(broker.port)
    publisher.offer(sample())
    wait_until(lambda: publisher.state().sent_statuses == 1, "the status is confirmed")
    broker.kill()
    for number in range(50):
        publisher.event(event(number))
    wait_until(lambda: publisher.state().attempts >= 2, "it tries again")
    publisher.close(DEADLINE_S)

    assert capfd.readouterr() == ("", "")
    assert caplog.record_tuples == []
    assert publisher.state().troubles


def test_what_the_library_and_the_loop_complain_of_is_filed(
    publish: Publish, caplog: pytest.LogCaptureFixture
) -> None:
    publisher = publish(free_port())
    wait_until(lambda: publisher._loop is not None, "the loop runs")
    assert publisher._loop is not None
    publisher._logger.warning("there are %d pending calls", 11)
    publisher._loop.call_soon_threadsafe(int, "no number")
    wait_until(lambda: "no number" in str(publisher.state().troubles), "the complaint is filed")

    assert any("there are 11 pending calls" in trouble for trouble in publisher.state().troubles)
    assert caplog.record_tuples == []


def tool(name: str, *arguments: str) -> None:
    """Run one of the tools that come with the broker, or say plainly what is missing."""
    path = shutil.which(name)
    if path is None:
        pytest.skip(f"{name} is not installed (Debian: apt-get install mosquitto openssl)")
    done = subprocess.run([path, *arguments], capture_output=True, timeout=DEADLINE_S, check=False)
    assert done.returncode == 0, done.stderr.decode()


@pytest.mark.peer
def test_user_and_password_are_used_and_a_wrong_one_is_filed(broker: Broker, publish: Publish, tmp_path: Path) -> None:
    broker.kill()
    tool("mosquitto_passwd", "-b", "-c", str(tmp_path / "people"), "bench", "sandpiper")
    (tmp_path / "people").chmod(0o644)
    broker.access = f"allow_anonymous false\nuser {getpass.getuser()}\npassword_file {tmp_path / 'people'}\n"
    broker.start()
    wrong = publish(broker.port, username="bench", password="plover")
    wait_until(lambda: bool(wrong.state().troubles), "the refusal is filed")
    assert wrong.close(DEADLINE_S) is False
    right = publish(broker.port, username="bench", password="sandpiper")
    right.event(event(1))
    wait_until(lambda: right.state().sent_events == 1, "the event is sent")

    assert "uthorized" in wrong.state().troubles[0]
    assert not any("sandpiper" in trouble or "plover" in trouble for trouble in wrong.state().troubles)


# The MQTT library leaves the socket of a failed handshake to the collector of garbage, which closes it and says so.
@pytest.mark.filterwarnings("ignore:unclosed <ssl.SSLSocket:ResourceWarning")
@pytest.mark.peer
def test_tls_with_an_own_authority_is_used_and_a_stranger_is_refused(
    broker: Broker, publish: Publish, tmp_path: Path
) -> None:
    broker.kill()
    for who in ("ours", "theirs"):
        tool(
            "openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2",
            "-subj", "/CN=boathouse", "-addext", "subjectAltName=IP:127.0.0.1",
            "-keyout", str(tmp_path / f"{who}.key"), "-out", str(tmp_path / f"{who}.pem"),
        )  # fmt: skip
    broker.access = (
        f"allow_anonymous true\nuser {getpass.getuser()}\n"
        f"certfile {tmp_path / 'ours.pem'}\nkeyfile {tmp_path / 'ours.key'}\n"
    )
    broker.start()
    stranger = publish(broker.port, tls=True, tls_ca_file=str(tmp_path / "theirs.pem"))
    wait_until(lambda: bool(stranger.state().troubles), "the refusal is filed")
    assert stranger.close(DEADLINE_S) is False
    missing = publish(broker.port, tls=True, tls_ca_file=str(tmp_path / "nowhere.pem"))
    wait_until(lambda: bool(missing.state().troubles), "the missing file is filed")
    assert missing.close(DEADLINE_S) is False
    friend = publish(broker.port, tls=True, tls_ca_file=str(tmp_path / "ours.pem"))
    friend.event(event(1))
    wait_until(lambda: friend.state().sent_events == 1, "the event is sent")

    assert "certificate verify failed" in stranger.state().troubles[0].lower()
    assert "No such file" in missing.state().troubles[0]


@pytest.mark.parametrize(("options", "word"), [
    ({"bench": "a/b"}, "topic"), ({"prefix": "a/#"}, "topic"), ({"prefix": ""}, "topic"), ({"prefix": "a/+/b"}, "topic"),
    ({"keep_alive_s": 60}, "keep-alive"), ({"password": "x"}, "user name"),
])  # fmt: skip
def test_names_keep_alive_and_credentials_that_cannot_work_are_refused(options: dict[str, Any], word: str) -> None:
    with pytest.raises(ValueError, match=word):
        Publisher("127.0.0.1", 1, **({"prefix": "p", "bench": "boathouse"} | options))


def test_back_off_grows_to_a_minute_and_is_spread_by_the_seed(monkeypatch: pytest.MonkeyPatch) -> None:
    def pauses(seed: int) -> list[float]:
        publisher, asked = Publisher("127.0.0.1", free_port(), prefix="p", bench="boathouse", seed=seed), []

        async def pause(_news: object, pause_s: float) -> None:
            asked.append(pause_s)
            if len(asked) == 9:
                publisher._closing.set()

        monkeypatch.setattr(publisher, "_pause", pause)
        publisher._run()
        return asked

    first = pauses(1)

    assert all(base <= pause_s <= 1.5 * base for base, pause_s in zip([1, 2, 4, 8, 16, 32, 60, 60, 60], first, strict=True))
    assert pauses(1) == first != pauses(2)
