"""`tenside open`: the desk, pages of one's own on the own machine."""

import sys
from typing import TYPE_CHECKING, Annotated

import typer

from optimizer.cli.common import FACTS, app, say

if TYPE_CHECKING:
    from optimizer.desk.guard import Guard


@app.command("open", rich_help_panel=FACTS)
def open_desk(
    folder: Annotated[str, typer.Argument(help="Your working folder; this one, if it is left out.")] = "",
    port: Annotated[int | None, typer.Option(help="Port to listen on; else a free one.", min=1, max=65535)] = None,
    phone: Annotated[
        bool, typer.Option("--phone", help="Let a telephone in your own network in, by a code that it reads.")
    ] = False,
    formulas: Annotated[
        bool, typer.Option("--formulas", help="With --phone: it may change formulas and prices, too.")
    ] = False,
    shortcut: Annotated[
        bool, typer.Option("--shortcut", help="Lay a file into the folder that opens the desk by a double click.")
    ] = False,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the browser.")] = True,
) -> None:
    """Open the desk: bench, formulas, label, cost and records as pages on your own machine, offline."""
    from optimizer.desk.serve import OWN, folder_of, listen, network_address, run, settle

    where = folder_of(folder)
    if shortcut:
        from optimizer.desk.shortcut import lay_shortcut

        say(f"wrote {lay_shortcut(where)}: a double click opens the desk of this folder.")
        return
    from optimizer.desk.app import make_desk
    from optimizer.desk.guard import Guard

    guard = Guard(today=_now)
    own = listen(OWN, port)
    listeners, hosts, outside = [own], {OWN, "localhost"}, ""
    if phone:
        network = network_address()
        listeners.append(listen(network, own.port))
        hosts.add(network)
        outside = f"http://{network}:{own.port}"
    desk = make_desk(where, guard=guard, hosts=hosts, address=lambda: outside)
    address = f"http://{OWN}:{own.port}/open?key={guard.invite()}"
    say(f"The desk of {where} is open. Close it with Ctrl+C.")
    say(f"\n  {address}\n\nThis address is good once{'.' if browser else '; open it in your browser.'}")
    if outside:
        _tell_phone(guard, outside, formulas)
    settle()
    if browser:
        _show(address)
    run(desk, listeners)


def _now() -> str:
    from datetime import datetime

    return datetime.now().isoformat(timespec="minutes").replace("T", " ")


def _tell_phone(guard: "Guard", outside: str, formulas: bool) -> None:
    """Show a key for a telephone as a code to read."""
    from optimizer.desk.phone import SAFETY, invitation, qr_lines

    link = invitation(guard, outside, formulas=formulas)
    say(f"\nFor a telephone in the same network, good once and for ten minutes:\n\n  {link}\n")
    sys.stdout.write(qr_lines(link, sys.stdout.encoding or "") + "\n")
    say(f"{SAFETY} It {'may change formulas and prices, too' if formulas else 'may note what happens at the bench'}.")


def _show(address: str) -> None:
    """Open the browser without waiting for it, and without a word of it."""
    import threading
    import webbrowser

    threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
