"""The command ``hinge-audit suggest``."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from audit.cli.inputs import Shots, files_of, shots_argument, skeleton_option
from audit.conventions import ORDERS
from audit.errors import InputError, OutputError

if TYPE_CHECKING:
    from audit.measures.offsets import Convention
    from audit.policy import Policy
    from audit.suggestion import Suggestion


@click.command(
    epilog="""\b
Examples:
  hinge-audit suggest walk.bvh --out offsets.csv
  hinge-audit suggest shots/ --out offsets.csv
  hinge-audit suggest walk.amc --skeleton rig.asf --out offsets.csv --replace
"""
)
@shots_argument
@click.option(
    "--out",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="The offsets sheet to write (CSV). Without it, it is printed.",
)
@skeleton_option
@click.option(
    "--order",
    type=click.Choice(ORDERS, case_sensitive=False),
    metavar=f"[{'|'.join(ORDERS)}]",
    help="Rotation order for joints whose file states none (default: the best of the six).",
)
@click.option(
    "--policy",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="The policy whose conventions the offsets keep (default: policy.toml, looked for upwards from the "
    "first shot).",
)
@click.option(
    "--replace",
    is_flag=True,
    help="Renew an earlier sheet. Its comments, blank rows and added columns are kept.",
)
@click.option("--quiet", "-q", is_flag=True, help="Print nothing but errors.")
@click.option("--debug", is_flag=True, hidden=True, expose_value=False)
def suggest(
    shots: tuple[Path, ...],
    out: Path | None,
    skeleton: Path | None,
    order: str | None,
    policy: Path | None,
    replace: bool,
    quiet: bool,
) -> int:
    """Write an offsets sheet: what to turn, joint by joint, from all shots of one rig together.

    Each SHOT is an animation file or a folder of them; more shots give a surer answer. The sheet is CSV: open
    it in a spreadsheet, change or clear what you do not want, and give it to `hinge-audit correct`. Shots that
    contradict the others, rest frames that differ, and sides that do not mirror are named.

    An offset changes every curve and every mechanism of a joint: agree on it before animation starts, work on
    copies, and test the rig again.
    """
    from audit.files import write_whole
    from audit.settings import Settings
    from audit.sheet import read_sheet, sheet_text
    from audit.suggestion import gather, only_rig, suggest_from

    data = _earlier(out, replace)
    # An earlier file that is no offsets sheet is refused before the work, not after it.
    earlier = None if data is None else read_sheet(data, str(out))
    settings = Settings(order=order.upper() if order else None)
    paths = files_of(shots, [] if out is None else [out])
    agreed = _agreed(policy, paths)
    read = Shots(paths, skeleton, quiet=quiet)
    rigs = gather(read, settings)
    if not rigs and read.failed:
        return InputError.exit_code
    evidence = only_rig(rigs)
    convention = None if agreed is None else _convention(agreed, evidence.skeleton.names)
    suggestion = suggest_from(evidence, read, settings, convention)
    sheet = suggestion.sheet if earlier is None else earlier.renewed(suggestion.sheet.rows)
    text = sheet_text(sheet)
    if out is None:
        click.echo(text, nl=False)
    else:
        write_whole(out, text.encode("utf-8"))
    if not quiet:
        # Beside a sheet on standard output, what else there is to say goes to standard error.
        click.echo(_told(suggestion, out), err=out is None)
    return InputError.exit_code if read.failed else 0


def _told(suggestion: Suggestion, out: Path | None) -> str:
    """Return what was suggested and found, in a few lines."""
    from audit.wording import plural

    rows = suggestion.sheet.rows
    turning = sum(row.turns for row in rows)
    shots = plural(suggestion.rig.shots, "shot")
    lines = [
        f"{turning} of {len(rows)} joints are to be turned, from {shots}"
        + (f": {out}" if out else ".")
    ]
    width = max((len(each.check) for each in suggestion.findings), default=0)
    lines += [
        f"  {each.severity:<4}  {each.check:<{width}}  {each.message}"
        for each in suggestion.findings
    ]
    if not turning:
        lines.append("Nothing is to be gained by turning axes; the reasons are in the sheet.")
    elif out:
        lines.append(f"Look it over, then: hinge-audit correct SHOT... --offsets {out} --out DIR")
    return "\n".join(lines)


def _agreed(path: Path | None, shots: Sequence[Path]) -> Policy | None:
    """Return the policy that is named, or found upwards from the first shot."""
    from audit.policy import find_policy, read_policy

    found = path or (find_policy(shots[0]) if shots else None)
    return None if found is None else read_policy(found)


def _convention(policy: Policy, names: Sequence[str]) -> Convention:
    """Return what a policy wants of the axes of some joints."""
    from audit.measures.offsets import Convention
    from audit.policy import targets_for

    targets = targets_for(policy, names)
    return Convention(targets.limb_axis, targets.limb_sign, targets.hinge_axis, targets.bend_sign)


def _earlier(out: Path | None, replace: bool) -> bytes | None:
    """Return the sheet that is there already, None where there is none."""
    from audit.plugins import bytes_of

    if out is None or not out.exists():
        return None
    if not replace:
        raise OutputError(
            "exists already",
            path=out,
            hint="Add --replace to renew it (its comments and added columns stay), or choose another --out",
        )
    return bytes_of(out)
