"""The devices that are let in: listed, turned away, and one more invited."""

from __future__ import annotations

from optimizer.desk.asked import Asked
from optimizer.desk.frame import button, form, hidden, tick
from optimizer.desk.guard import Device, Outcome
from optimizer.desk.html import Html, markup, tag
from optimizer.desk.phone import SAFETY, invitation, qr_picture
from optimizer.desk.screen import Page, RefusedError, Screen

SCREEN = Screen(entry=("/devices", "Devices"), rank=90)


def act(asked: Asked) -> Outcome:
    """Turn a device away, or invite one."""
    if asked.device.phone:
        raise RefusedError({"": "Only the machine that the desk runs on decides who is let in."})
    if asked.text("invite"):
        if not asked.desk.address():
            raise RefusedError({"": "The desk is not open to other devices."})
        asked.device.showing = invitation(asked.desk.guard, asked.desk.address(), formulas=asked.ticked("formulas"))
        return asked.done("/devices", "The code below lets one device in.")
    gone = asked.desk.guard.turn_away(asked.text("device"))
    return asked.done("/devices", f"Turned away: {gone.name}." if gone else "It was not let in any more.")


@SCREEN.at("/devices", act=act, rights="formula")
def devices(asked: Asked) -> Page:
    """Show who is let in."""
    items = (_device(asked, called, device) for called, device in asked.desk.guard.devices())
    return Page("Devices", markup(tag("ul", *items, class_="entries"), _invite(asked)), here="devices")


def _device(asked: Asked, called: str, device: Device) -> Html:
    rights = "may change formulas and prices" if device.formulas else "may note what happens at the bench"
    mine = device is asked.device
    where = "another device" if device.phone else "this machine"
    turn = form(asked, "/devices", hidden({"device": called}), button("Turn it away", quiet=True))
    return tag(
        "li",
        tag("p", f"{device.name}{', the one you are looking at' if mine else ''}", class_="name"),
        tag("p", f"{where}{f', since {device.since}' if device.since else ''}; {rights}", class_="of"),
        None if mine or asked.device.phone else turn,
    )


def _invite(asked: Asked) -> Html:
    if asked.device.phone:
        return markup()
    if not asked.desk.address():
        command = tag("code", "tenside open --phone")
        return tag("p", "To let a telephone in your own network in, open the desk with ", command, ".")
    ask = form(
        asked,
        "/devices",
        tick(asked, "formulas", "It may change formulas and prices, too"),
        button("Show a code that lets one more device in", name="invite", value="yes"),
    )
    return tag("section", tag("h2", "Let another device in"), tag("p", SAFETY), _code(asked), ask)


def _code(asked: Asked) -> Html | None:
    """Return the code that was asked for, until another one is."""
    if not asked.device.showing:
        return None
    return markup(
        tag("p", "Read it with the camera of the telephone; it is good once and for ten minutes."),
        qr_picture(asked.device.showing),
    )
