"""Reading a policy: what is taken, what is refused, and how that is told."""

from __future__ import annotations

import pickle
from datetime import date
from pathlib import Path

import pytest

from audit.errors import UsageError
from audit.policy import Policy, PolicyError, find_policy, read_policy

WAIVER = """
[[waivers]]
joint = "L_Knee"
check = "twist"
reason = "locked"
who = "lead"
until = 2030-12-31
"""


@pytest.fixture
def policy_of(tmp_path):
    """Return a function that reads a policy from its text."""

    def read(text: str | bytes) -> Policy:
        path = tmp_path / "policy.toml"
        path.write_bytes(text.encode() if isinstance(text, str) else text)
        return read_policy(path)

    return read


def test_everything_that_can_be_said(policy_of) -> None:
    policy = policy_of(
        'fail_on = "look"\n'
        "[measures]\nhinge_share = 0.9\norder = 'ZXY'\n"
        "[checks]\ntwist = { offset = 3, severity = { fix = 'look' } }\n"
        "[checks.clutter]\nseverity = 'off'\n"
        "[[joints]]\nmatch = ['*_Knee', 'Jaw']\nhinge = true\norders = 'YZX'\nlimb_axis = '-Y'\n"
        "hinge_axis = 'X'\nbend = 'negative'\nchecks.twist.offset = 1.5\n" + WAIVER
    )
    assert (policy.fail_on.value, policy.fail_on.why) == ("look", "line 1")
    assert policy.settings().hinge_share == 0.9
    assert policy.settings().order == "ZXY"
    assert policy.settings("XYZ").order == "XYZ"
    knee, hip = policy.for_joint("L_Knee"), policy.for_joint("Hip")
    assert knee.limits("twist") == {"offset": 1.5}
    assert hip.limits("twist") == {"offset": 3.0}
    assert hip.severity("twist", "fix") == "look"
    assert hip.severity("clutter", "note") is None
    assert knee.held["checks.twist.offset"].why == "line 16, pattern '*_Knee'"
    assert hip.held["checks.twist.offset"].why == "line 6"
    assert hip.held["checks.aim.error"].why == "default"
    assert [
        knee.value(name) for name in ("hinge", "orders", "limb_axis", "hinge_axis", "bend")
    ] == [
        True,
        ("YZX",),
        "-Y",
        "X",
        "negative",
    ]
    (waiver,) = policy.waivers
    assert (waiver.line, waiver.until, waiver.shots) == (18, date(2030, 12, 31), ("*",))


@pytest.mark.parametrize(
    ("text", "line", "words"),
    [
        ("\nfial_on = 'fix'", 2, ["'fial_on'", "Did you mean 'fail_on'?"]),
        ("fail_on = 'note'", 1, ["'note'", "fix, look, never"]),
        ("fail_on = 3", 1, ["is a text, not a number"]),
        ("[chekcs.twist]", 1, ["Did you mean 'checks'?"]),
        ("[checks.twsit]\noffset = 1", 1, ["no check is called 'twsit'", "Did you mean 'twist'?"]),
        ("[checks.twist]\n\nofset = 1", 3, ["Did you mean 'offset'?"]),
        ("[checks.twist]\noffset = '1'", 2, ["is a number, not a text"]),
        ("[checks.twist]\noffset = true", 2, ["is a number, not true or false"]),
        ("[checks.twist]\noffset = nan", 2, ["not a finite number"]),
        ("checks.twist.offset = [1]", 1, ["is a number, not a list"]),
        ("checks.twist = 3", 1, ["is a table, not a number"]),
        ("[checks.twist]\nseverity = 'loook'", 2, ["Did you mean 'look'?"]),
        ("[checks.twist]\nseverity = { fxi = 'look' }", 2, ["Did you mean 'fix'?"]),
        ("[checks.twist]\nseverity = { fix = 'raise' }", 2, ["'raise'"]),
        ("[measures]\nhinge_shares = 0.9", 2, ["Did you mean 'hinge_share'?"]),
        ("[measures]\nhinge_share = 2", 2, ["between 0 and 1"]),
        ("[measures]\nkey_tolerance_deg = -1", 2, ["above 0"]),
        ("[measures]\norder = 'XYX'", 2, ["'XYX'", "'order'"]),
        ("[joints]\nmatch = 'a'", 1, ["list of tables, not a table", "[[joints]]"]),
        ("[[joints]]\nhinge = true", 1, ["which joints"]),
        ("[[joints]]\nmatch = 'a[b'", 2, ["has a [ without a ]"]),
        ("[[joints]]\nmatch = 'a[z-b]'", 2, ["runs backwards, z-b"]),
        ("[[joints]]\nmatch = ''", 2, ["a text or a list of texts, not nothing"]),
        ("[[joints]]\nmatch = ['a', 3]", 2, ["'match'"]),
        ("[[joints]]\nmatch = 'a'\nhinge = 'yes'", 3, ["true or false, not a text"]),
        ("[[joints]]\nmatch = 'a'\norders = ['XYZ', 'XZZ']", 3, ["'XZZ'"]),
        ("[[joints]]\nmatch = 'a'\nlimb_axis = 'W'", 3, ["'limb_axis' cannot be 'W'"]),
        ("[[joints]]\nmatch = 'a'\nhinge_axis = '+X'", 3, ["Did you mean 'X'?"]),
        ("[[joints]]\nmatch = 'a'\nbend = 'positiv'", 3, ["Did you mean 'positive'?"]),
        ("[[joints]]\nmatch = 'a'\nchecks.wist.offset = 1", 3, ["Did you mean 'twist'?"]),
        (
            "[[joints]]\nmatch = 'a'\n[joints.checks.useless-waiver]\nseverity = 'off'",
            3,
            ["not about joints", "[checks.useless-waiver]"],
        ),
        (WAIVER.replace("until", "untill"), 2, ["does not say until"]),
        (WAIVER.replace("2030-12-31", "'2030-12-31'"), 7, ["is a date", "without quotes"]),
        (WAIVER.replace("2030-12-31", "2030-12-31T10:00:00"), 7, ["not a date with a time"]),
        (WAIVER.replace("2030-12-31", "2030-02-30"), 7, ["is not valid TOML"]),
        (WAIVER.replace('"twist"', '["twist", "spraed"]'), 4, ["Did you mean 'spread'?"]),
        (WAIVER.replace('"twist"', '"ended-waiver"'), 4, ["cannot be waived"]),
        (WAIVER.replace('"L_Knee"', '"L_[Knee"'), 3, ["has a [ without a ]"]),
        (WAIVER.replace('"lead"', '""'), 6, ["'who'"]),
        ("a = 1\na = 2", 2, ["is not valid TOML: cannot overwrite a value"]),
        ("fail_on = fix", 1, ["is not valid TOML", "Texts stand in quotes"]),
        (
            "[record]\npartition = ['show', 'mnth']",
            2,
            ["parted by 'mnth'", "Did you mean 'month'?"],
        ),
        ("[record]\npartition = [\n'day',\n'day']", 4, ["'day' stands twice", "once"]),
        ("[record]\npartition = []", 2, ["not nothing"]),
        ("[record]\npartition = 3", 2, ["a text or a list of texts"]),
        ("[record]\nparts = 'day'", 2, ["Did you mean 'partition'?"]),
        ("record = 'day'", 1, ["is a table, not a text"]),
        ("[checks.twist\n", 1, ["is not valid TOML"]),
        ("fail_on = '''\n\n", 3, ["is not valid TOML"]),
        (b"fail_on = 'fix'\n# caf\xe9", 2, ["is not UTF-8"]),
    ],
)
def test_a_mistake_is_told_with_line_and_suggestion(policy_of, text, line, words) -> None:
    with pytest.raises(PolicyError) as caught:
        policy_of(text)
    assert f"line {line}" == caught.value.where
    assert str(caught.value).startswith(f"{caught.value.path}: line {line}: ")
    for word in words:
        assert word in str(caught.value)


def test_how_a_record_is_parted(policy_of) -> None:
    assert (Policy().partition.value, Policy().partition.line) == (("show", "day"), None)
    said = policy_of("[record]\npartition = ['year', 'rig']\n").partition
    assert (said.value, said.why) == (("year", "rig"), "line 2")
    assert policy_of("[record]\npartition = 'month'\n").partition.value == ("month",)
    assert policy_of("[record]\n").partition.line is None


def test_all_mistakes_are_told_at_once_in_the_order_of_their_lines(policy_of) -> None:
    with pytest.raises(PolicyError) as caught:
        policy_of("[checks.wist]\noffset = 1\n[measures]\nspread = 1\n[[joints]]\nhinge = 3")
    told = str(caught.value).splitlines()
    assert [line.split(": ")[1] for line in told] == ["line 1", "line 4", "line 5"]


def test_the_error_travels_between_processes(policy_of) -> None:
    with pytest.raises(PolicyError) as caught:
        policy_of("a = 1\nb = 2")
    back = pickle.loads(pickle.dumps(caught.value))
    assert type(back) is PolicyError
    assert str(back) == str(caught.value)
    assert issubclass(PolicyError, UsageError)


def test_marks_and_line_ends_of_other_editors(policy_of) -> None:
    policy = policy_of(b"\xef\xbb\xbf# first\r\nfail_on = 'look'\r\n")
    assert policy.fail_on.why == "line 2"


def test_a_missing_policy_says_how_to_get_one(tmp_path) -> None:
    with pytest.raises(PolicyError, match="policy init"):
        read_policy(tmp_path / "none.toml")


def test_the_nearest_policy_upwards_is_found(tmp_path) -> None:
    deep = tmp_path / "show" / "sh010" / "takes"
    deep.mkdir(parents=True)
    top, near = tmp_path / "policy.toml", tmp_path / "show" / "policy.toml"
    top.write_text("")
    assert find_policy(deep) == top
    near.write_text("")
    assert find_policy(deep) == near
    assert find_policy(tmp_path) == top
    (deep / "policy.toml").mkdir()
    assert find_policy(deep) == near


def test_a_changed_policy_is_read_anew(tmp_path) -> None:
    path = Path(tmp_path / "policy.toml")
    path.write_text("fail_on = 'fix'")
    first = read_policy(path)
    assert read_policy(path) is first
    path.write_text("fail_on = 'look'")
    assert read_policy(path).fail_on.value == "look"
