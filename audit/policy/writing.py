"""A policy to begin with: every setting stands in it as a comment, and so it changes nothing."""

from __future__ import annotations

from audit.policy.vocabulary import limits_of_checks, measure_defaults, titles_of_checks

_HEAD = """\
# Policy: what this show asks of its shots. Put it into the show's top folder: `hinge-audit check` looks for
# policy.toml in each shot's folder and upwards, and takes the nearest. Every line below is a comment, so this
# changes nothing; take the # away where you want something else.
# `hinge-audit policy show --joint L_Knee` says what holds for a joint, and why.

# From which severity on a finding fails a shot: "fix", "look" or "never".
# fail_on = "fix"

# How things are measured.
# [measures]
"""

_CHECKS = """
# The checks: their limits, and what becomes of their findings. severity = "fix", "look" or "note" gives all
# findings of a check that one; "raise" and "lower" move each by one step; "off" leaves them out. A table says
# it one by one: severity = { fix = "look", note = "off" }.
# Checks that begin with rest- look at the rest pose of the rig, once a file. No shot is to blame for its rig,
# so a fix of theirs counts as a look here: severity = { fix = "fix" } lets it count as what it is.
# `hinge-audit explain NAME` says what a check finds.
"""

_REST = """
# Joints by name. A pattern may hold * for any letters, ? for one, [ab] for one of several; upper and lower case
# differ. Where several entries speak of the same setting, the last one wins.
# [[joints]]
# match = ["*_Knee", "*_Elbow"]   # a name or a pattern, or several
# hinge = true                    # must move on one axis; false: may move as it likes, whatever its name says
# limb_axis = "+Y"                # which axis points from the joint to its child: "+Y", "-Y", or "Y" for either
# hinge_axis = "X"                # which axis carries the hinge
# bend = "positive"               # which way a bend turns about it: "positive" or "negative"
# orders = ["YZX", "ZYX"]         # rotation orders that are expected
# checks.twist.offset = 1.0       # limits and severities for these joints alone
# checks.gimbal.severity = "off"

# Findings that somebody accepted for a time. After the last day they count again. A waiver that matches nothing
# in a run is reported.
# [[waivers]]
# joint = "L_Knee"                # a name or a pattern, or several; "*" also covers the shot as a whole
# check = "twist"                 # a check, or several
# reason = "The rig is locked until the trailer is out"
# who = "lead rigger"
# until = 2030-12-31              # the last day on which it works
# shots = "sh010_*"               # names or paths of shots; left out, it holds for all

# How the files of a record lie (`hinge-audit check --record`): in folders by "show", "rig", "year", "month" or
# "day", the outermost first. Earlier runs stay where they are, and are read all the same.
# [record]
# partition = ["show", "day"]
"""


def fresh_policy() -> str:
    """Return the text of a policy that says nothing but shows everything that can be said."""
    lines = [_HEAD.rstrip("\n")]
    for name, default in measure_defaults().items():
        lines.append(
            '# order = "ZXY"  # for joints whose file states none; without it, the best of six'
            if name == "order"
            else f"# {name} = {_toml(default)}"
        )
    lines.append(_CHECKS.rstrip("\n"))
    for check, limits in limits_of_checks().items():
        lines += ["#", f"# [checks.{check}]  # {titles_of_checks()[check]}"]
        lines += [f"# {name} = {_toml(limit)}" for name, limit in limits.items()]
        if not limits:
            lines.append('# severity = "look"')
    return "\n".join(lines) + "\n" + _REST


def _toml(value: object) -> str:
    return f'"{value}"' if isinstance(value, str) else repr(value)
