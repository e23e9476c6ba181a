"""The desk: pages of one's own on the own machine (`tenside open`), a second way into the same rooms.

It has no logic of its own: what a page shows comes from `answers/` as a document or a result, what a form notes goes
into the same files through the same functions as the commands'.

How a screen is added: one file in `desk/screens/` with `SCREEN = Screen()`, found by itself. A function that takes an
`Asked` and returns a `Page` is what an address shows; `act` does what a form sent there asks for and returns an
`Outcome`, to which the browser is sent on:

    SCREEN = Screen(entry=("/shelf", "Shelf"), rank=30)      # a link in the head of every page; may be left out

    def note(asked: Asked) -> Outcome:
        grams = asked.figure("grams", "the weight")            # "104,3" is read, "1,234" asked back, "-3" refused
        ...                                                    # write through a function of the door, never here
        return asked.done("/shelf", f"Noted: {grams} g.")

    @SCREEN.at("/shelf", act=note, rights="formula")         # rights="bench": a telephone may send it, too
    def shelf(asked: Asked) -> Page:
        fields = field(asked, "grams", "Weight", figure=True, unit="g")
        return Page("Shelf", form(asked, "/shelf", fields, button("Note it"), keep="shelf"), here="shelf")

Markup is made by `html.tag` alone, which escapes texts. The frame (`frame`), the guard (`guard`, `app`), the one-time
id of forms and sentences beside fields (`RefusedError`, any `TensideError`) are there for every screen. A file is named
in an address only by what `asked.folder` calls it. Reports are shown by `frame.report`.

For the script (`static/desk.js`): a form with `data_live="#answer"` is fetched again whenever something in it moves and
what comes back replaces `#answer`; answers are numbered, so that an older one never replaces a newer. An element with
`data_copy="#id"` is a button that copies a text. `data_keep` of a form keeps what is half typed. All of it must also
work without: such a form has a button.
"""
