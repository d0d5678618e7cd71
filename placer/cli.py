"""The command line: what a composer types and what comes back.

*Conventions*: exit 0 done; 1 finished, but a stated demand is not met; 2 bad input, one line on
standard error; 130 interrupted with all work kept. Only this file and `placer.terminal` print.

Heavy packages are imported by the command that needs them, so that `--help` answers at once.
"""

from __future__ import annotations

import argparse
import functools
import os
import sys
from collections.abc import Sequence
from pathlib import Path
from shlex import quote

from placer.arguments import (
    MOST_PORT,
    MOST_SEED,
    MOST_WORKERS,
    OneLineParser,
    count,
    seconds,
    storage,
)
from placer.clock import unit_taken
from placer.errors import PlacerError
from placer.progress import HEARING

LESS_MEMORY = "close other programs, give fewer --workers or shorten cue.excerpt_length"
PLACE = "is the disk full or the place not writable?"
HEARING_MORE = (
    f"{HEARING} The page starts quiet: raise it slowly, and follow your local rules on exposure."
)
DONE, UNMET, BAD_INPUT, INTERRUPTED = 0, 1, 2, 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments : sequence of str, optional
        Without the program's name; those of the process where absent.

    Returns
    -------
    int
        The exit code.
    """
    options = parser().parse_args(arguments)
    try:
        return int(options.run(options))
    except PlacerError as error:
        return _refused(str(error))
    except MemoryError:
        return _refused(f"out of memory; {LESS_MEMORY}")
    except BrokenPipeError:  # whoever read the output has gone; what was written stays
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: PTH123, SIM115
        return INTERRUPTED
    except OSError as error:
        return _refused(f"{error.filename or options.command}: {error.strerror or error}; {PLACE}")
    except KeyboardInterrupt:
        print("placer: interrupted; finished work is kept", file=sys.stderr)
        return INTERRUPTED


def _refused(words: str) -> int:
    """Say why a command ended, in one line."""
    print(f"placer: {' '.join(words.split())}", file=sys.stderr)
    return BAD_INPUT


def parser() -> argparse.ArgumentParser:
    """All commands and their options."""
    top = OneLineParser(
        prog="placer",
        description="Searches where each layer of an orchestral mock-up should be heard from.",
        epilog=HEARING,
    )
    commands = top.add_subparsers(required=True, metavar="COMMAND", dest="command")
    _add_draft(commands)
    _add_check(commands)
    _add_search(commands)
    _add_render(commands)
    _add_batch(commands)
    _add_listen(commands)
    _add_export(commands)
    _add_learn(commands)
    return top


Commands = argparse._SubParsersAction


def _command(
    commands: Commands[OneLineParser], name: str, words: str, *, example: str, caution: str = ""
) -> OneLineParser:
    """A command whose help says what it does and has one example."""
    told = f"{words[0].upper()}{words[1:]}. {caution}".rstrip()
    return commands.add_parser(name, help=words, description=told, epilog=f"example: {example}")


def _add_draft(commands: Commands[OneLineParser]) -> None:
    command = _command(
        commands, "draft", "write a cue file from a folder of stems",
        example="placer draft stems --out cue.toml",
    )  # fmt: skip
    command.add_argument("folder", type=Path, metavar="FOLDER")
    command.add_argument("--out", type=Path, metavar="CUE.toml", help="file to write")
    command.add_argument(
        "--like",
        type=Path,
        metavar="RUN",
        help="take sections, roles, locks and the like from an earlier run or cue file, by name",
    )
    command.set_defaults(run=run_draft)


def _add_check(commands: Commands[OneLineParser]) -> None:
    command = _command(
        commands, "check", "read everything; say what it found and will cost",
        example="placer check cue.toml",
    )  # fmt: skip
    command.add_argument("cue", type=Path, metavar="CUE.toml")
    command.set_defaults(run=run_check)


def _add_search(commands: Commands[OneLineParser]) -> None:
    command = _command(
        commands, "search", "search placements and render the best few",
        example="placer search cue.toml --time 8h",
    )  # fmt: skip
    command.add_argument("cue", type=Path, metavar="CUE.toml")
    command.add_argument("--out", type=Path, metavar="DIR", help="run folder (CUE-run by default)")
    command.add_argument("--time", metavar="60s|8h", help="search for this long")
    command.add_argument("--until", metavar="07:00", help="search until this time of day")
    command.add_argument("--trials", type=int, metavar="N", help="end after N trials in all")
    command.add_argument(
        "--workers", type=int, default=1, metavar="N", help="processes (1 by default)"
    )
    command.add_argument("--storage", metavar="URL", help="study shared with other machines")
    command.add_argument("--seed", type=int, metavar="N", help="instead of the cue file's seed")
    command.add_argument("--stems", action="store_true", help="write the placed stems too")
    command.add_argument(
        "--from",
        dest="earlier",
        type=Path,
        metavar="RUN",
        help="go on from a run: moves that its answers.toml keeps are held, refused ones left out",
    )
    command.set_defaults(run=run_search)


def _add_render(commands: Commands[OneLineParser]) -> None:
    command = _command(
        commands, "render", "render mixes of a run again, or their stems",
        example="placer render cue-run --rank 1 --stems",
    )  # fmt: skip
    command.add_argument("folder", type=Path, metavar="RUN")
    command.add_argument("--rank", type=int, metavar="N", help="only this mix; 0 is the reference")
    command.add_argument("--stems", action="store_true", help="write the placed stems too")
    command.set_defaults(run=run_render)


def _add_batch(commands: Commands[OneLineParser]) -> None:
    command = _command(
        commands, "batch", "search several cues one after the other",
        example="placer batch a.toml b.toml --until 07:00",
    )  # fmt: skip
    command.add_argument("cues", type=Path, nargs="+", metavar="CUE.toml")
    command.add_argument("--until", metavar="07:00", help="be done by this time of day")
    command.add_argument("--time", metavar="8h", help="be done within this long")
    command.add_argument("--out", type=Path, metavar="DIR", help="folder for all run folders")
    command.add_argument(
        "--workers", type=int, default=1, metavar="N", help="processes (1 by default)"
    )
    command.set_defaults(run=run_batch)


def _add_listen(commands: Commands[OneLineParser]) -> None:
    command = _command(
        commands, "listen", "open the listening page of a run",
        example="placer listen cue-run", caution=HEARING_MORE,
    )  # fmt: skip
    command.add_argument("folder", type=Path, metavar="RUN")
    command.add_argument("--port", type=int, default=0, metavar="N", help="any free one by default")
    command.add_argument("--no-browser", action="store_true", help="only say the address")
    command.set_defaults(run=run_listen)


def _add_export(commands: Commands[OneLineParser]) -> None:
    command = _command(
        commands, "export", "write what goes back into the session",
        example="placer export cue-run --rank 1",
    )  # fmt: skip
    command.add_argument("folder", type=Path, metavar="RUN")
    command.add_argument(
        "--rank", type=int, default=1, metavar="N", help="which mix (1 by default)"
    )
    command.add_argument("--out", type=Path, metavar="DIR", help="RUN/export-NN by default")
    command.set_defaults(run=run_export)


def _add_learn(commands: Commands[OneLineParser]) -> None:
    command = _command(
        commands, "learn", "turn votes of runs into weights of the cost",
        example="placer learn a-run b-run --out weights.toml",
    )  # fmt: skip
    command.add_argument("folders", type=Path, nargs="+", metavar="RUN")
    command.add_argument("--out", type=Path, metavar="WEIGHTS.toml", help="file to write")
    command.set_defaults(run=run_learn)


def run_draft(options: argparse.Namespace) -> int:
    """`placer draft`."""
    from placer.cue.draft import draft
    from placer.cue.like import read_earlier
    from placer.result.folder import cue_file
    from placer.terminal import terminal

    like = None if options.like is None else read_earlier(cue_file(options.like))
    with terminal() as screen:
        path = draft(options.folder, options.out, screen, like)
    print(f'wrote {path}; correct what is marked "guess", then: placer check {quote(str(path))}')
    return DONE


def run_check(options: argparse.Namespace) -> int:
    """`placer check`."""
    from placer.check import check
    from placer.terminal import terminal

    with terminal() as screen:
        lines = check(options.cue, screen)
    for line in lines:
        print(line)
    return DONE


def run_search(options: argparse.Namespace) -> int:
    """`placer search`."""
    from placer.pipeline import SearchOrder, search
    from placer.terminal import terminal

    _say_unit(options.time)
    order = SearchOrder(
        cue=options.cue,
        out=options.out,
        seconds=seconds(options.time, options.until),
        trials=count("--trials", options.trials),
        workers=count("--workers", options.workers, most=MOST_WORKERS) or 1,
        storage=storage(options.storage),
        seed=count("--seed", options.seed, least=0, most=MOST_SEED),
        stems=options.stems,
        earlier=options.earlier,
    )
    with terminal() as screen:
        end = search(order, screen)
    for line in end.lines:
        print(line)
    return INTERRUPTED if end.interrupted else (DONE if end.met else UNMET)


def _say_unit(given: str | None) -> None:
    """Say which unit a bare number of --time was taken in."""
    if given is not None and (unit := unit_taken(given)):
        print(f"--time {given.strip()}: {unit}; write 60s, 45m, 8h or 1h30m for another unit")


def run_render(options: argparse.Namespace) -> int:
    """`placer render`."""
    from placer.pipeline import render_again
    from placer.terminal import terminal

    with terminal() as screen:
        lines = render_again(
            options.folder,
            options.rank,
            stems=options.stems,
            screen=screen,
        )
    for line in lines:
        print(line)
    return DONE


def run_batch(options: argparse.Namespace) -> int:
    """`placer batch`."""
    from placer.night import night
    from placer.terminal import terminal

    _say_unit(options.time)
    with terminal() as screen:
        end = night(
            options.cues,
            out=options.out,
            seconds=seconds(options.time, options.until),
            workers=count("--workers", options.workers, most=MOST_WORKERS) or 1,
            screen=screen,
        )
    for line in end.lines:
        print(line)
    for line in end.failures:
        _refused(line)
    return end.code


def run_listen(options: argparse.Namespace) -> int:
    """`placer listen`."""
    from placer.result.folder import open_run
    from placer.result.listen import serve

    count("--port", options.port, least=0, most=MOST_PORT)
    run = open_run(options.folder)
    run.read_result()
    print(HEARING)
    announce = functools.partial(print, flush=True)
    serve(run.path, port=options.port, open_browser=not options.no_browser, announce=announce)
    return DONE


def run_export(options: argparse.Namespace) -> int:
    """`placer export`."""
    from placer.pipeline import export_mix
    from placer.terminal import terminal

    with terminal() as screen:
        lines = export_mix(options.folder, options.rank, options.out, screen=screen)
    for line in lines:
        print(line)
    return DONE


def run_learn(options: argparse.Namespace) -> int:
    """`placer learn`."""
    from placer.audio.atomic import write_text
    from placer.result.record import learn_from, refuse_foreign

    learned, text = learn_from(options.folders)
    if options.out is not None:
        refuse_foreign(options.out)
    if learned.votes == 0:
        raise PlacerError(
            f"no preferences yet to learn from; compare blind and choose: placer listen "
            f"{quote(str(options.folders[0]))}"
        )
    if options.out is None:
        print(text, end="")
    else:
        write_text(options.out, text)
        print(f"wrote {options.out}; name it in a cue file: [weights] file = ...")
    return DONE


if __name__ == "__main__":
    sys.exit(main())
