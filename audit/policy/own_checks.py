"""Pages of the checks that exist only through a policy: what each means, when it fires and what to do.

Other checks have their pages as the docstrings of their modules. These live where the policy is applied,
several to a module, so their pages stand here, under the same headings.
"""

from __future__ import annotations

from collections.abc import Mapping

from audit.policy.vocabulary import (
    CONVENTION,
    ENDED_WAIVER,
    EXPECTED_HINGE,
    USELESS_WAIVER,
    policy_checks,
)

CONVENTION_PAGE = """\
A joint breaks a convention of the policy.

## What it finds

Joints for which `policy.toml` says how their axes are to lie and which have them otherwise: one finding a
joint, with all that is wrong with it. Without a policy, or for joints that it says nothing of, there are
none.

## Why it matters

A convention lets one script, one stored pose or one animator's habit work on every rig of a show. A joint
that is set up another way bends the wrong way there, or on another channel.

## Formula

- `limb_axis`: the angle between the limb and the half-axis, or the nearer half of the axis. Looked at on
  every joint with a limb.
- `hinge_axis`: the angle between the hinge and the axis, less the interval of the hinge. Looked at on
  hinges that turn at least 5°.
- `bend`: the angle between the hinge and the half-axis about which a bend is to turn, likewise. Looked at
  on hinges that turn at least twice as far from rest one way as the other.
- `orders`: the file's rotation order is none of them. Looked at where the file states one.

The angles are held against the limit.

## Limit and its source

`angle`: degrees, our choice. Beyond 45° another axis is nearer than the one that is wanted. Smaller
errors are told by `aim` and `twist`. That a bend is clear from twice as far one way is our choice too, and
so are the 5°, which the policy can change (`suggestion_range_deg` among its measures).

## What to do

Turn the axes: `hinge-audit suggest` with the same policy writes an offsets sheet that leads to the
convention, and `hinge-audit correct` applies it with proof. Where the rig is right and the convention is
not, correct the policy, or say otherwise for this joint.

## Example

    [[joints]]
    match = ["*_Knee", "*_Elbow"]
    limb_axis = "+Y"
    hinge_axis = "X"
    bend = "positive"
    orders = ["YZX", "ZYX"]

> L_Knee breaks the policy's conventions: +Y is to lie along the limb, which points to −Y, 180.0° away
"""

EXPECTED_HINGE_PAGE = """\
A joint that the policy wants as a hinge moves on several axes.

## What it finds

Joints with `hinge = true` in `policy.toml` whose motion is on two axes, or free.

## Why it matters

A hinge that turns about a second axis has its bend on two curves or three, and hides that from whoever
trusts its one channel. The policy says which joints must not do so; `not-a-hinge` only guesses that from
names, and is silent where the policy has spoken.

## Formula

The kind of a joint's motion is `hinge` where the first axis explains the share `hinge_share` of it. This
check fires where the kind is `two-axis` or `free` and the joint turns at least `range`.

## Limit and its source

`range`: degrees, our choice. Of what hardly moves the axes are not known well. The share stands among the
measures of the policy (`[measures] hinge_share`), not among the limits of this check.

## What to do

Look at the joint in the shot: a bent hinge that is also twisted is often a pose that the joint above
should make. Where the joint may move so, write `hinge = false` for it, and its name no longer counts
either.

## Example

    [[joints]]
    match = "*_Finger*"
    hinge = true
    checks.expected-hinge.range = 10.0

> The policy wants R_Finger3_2 as a hinge, but it moves on two axes: only 74% of its motion is on one axis,
> 15.3° (root mean square) is off it
"""

ENDED_WAIVER_PAGE = """\
A waiver has ended.

## What it finds

Waivers in `policy.toml` whose day `until` is past while what they are about is still found. It is a
finding about the policy, with its line; `hinge-audit check` says it at the end of a run.

## Why it matters

A waiver is a promise to mend something later. From the day after `until` the waived findings count again,
and may fail the shot; this finding says why it failed today and not yesterday.

## Formula

The day of the run is later than `until`, and the waiver covers at least one finding of the run.

## Limit and its source

None. It asks for a look, so it fails a run with `--fail-on look` only.

## What to do

Mend what it is about, or ask who is named in it for a new date.

## Example

    [[waivers]]
    joint = "L_Knee"
    check = "twist"
    reason = "The rig is locked until the trailer is out"
    who = "lead rigger"
    until = 2025-03-31

> The waiver of twist on L_Knee ended on 2025-03-31: mend what it is about, or ask lead rigger for a new
> date
"""

USELESS_WAIVER_PAGE = """\
A waiver matches nothing.

## What it finds

Waivers in `policy.toml` that cover no finding of the whole run, whether they still work or have ended. It
is a finding about the policy, with its line; `hinge-audit check` says it at the end of a run that was not
stopped.

## Why it matters

Either what it was about is mended, and the waiver would hide the same fault should it come back; or its
joint, check or shots are misspelt, and it never did what it was written for.

## Formula

No finding of the run is of one of its checks, on a joint that one of its patterns matches, in a shot that
one of its patterns matches. Findings that are left out by severity `off`, or lie within their limits, are
none.

## Limit and its source

None. It asks for a look, so it fails a run with `--fail-on look` only.

## What to do

Take it out, or correct it; where a joint with such a finding has a similar name, the message asks whether
that was meant. For runs over a part of a show, in which many waivers match nothing, leave these findings
out:

    [checks.useless-waiver]
    severity = "off"

## Example

    [[waivers]]
    joint = "L_Kneee"
    check = "twist"
    reason = "The rig is locked until the trailer is out"
    who = "lead rigger"
    until = 2030-12-31

> The waiver of twist on L_Kneee matches no finding of this run: take it out, or correct its joint, check
> or shots. Did you mean 'L_Knee'?
"""

_PAGES: Mapping[str, str] = {
    CONVENTION.name: CONVENTION_PAGE,
    EXPECTED_HINGE.name: EXPECTED_HINGE_PAGE,
    ENDED_WAIVER.name: ENDED_WAIVER_PAGE,
    USELESS_WAIVER.name: USELESS_WAIVER_PAGE,
}


def page_of_policy_check(name: str) -> str:
    """Return what a check of the policy itself means, as Markdown, like :func:`audit.plugins.page_of`.

    Parameters
    ----------
    name
        Of a check among :func:`audit.policy.policy_checks`.
    """
    check = policy_checks()[name]
    lines = [f"# {name}", "", _PAGES[name].rstrip(), ""]
    if check.limits:
        lines += ["## Limits in force", ""]
        lines += [f"- `{limit}` = {value:g}" for limit, value in check.limits.items()]
    return "\n".join(lines).rstrip() + "\n"
