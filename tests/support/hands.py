"""Three ways to use a page: a mouse, a keyboard alone, a finger on a telephone.

Each finds what it uses by what the page shows. Mouse and finger send the browser what a person's would (DevTools,
`Input`): a tenth of the processor time of the driver's own clicks, and they reach whatever lies on top there.

A hand fails where a person would: a key that never gets there, a focus that cannot be seen, a target too small for a
finger (44 px, WCAG 2.2, success criterion 2.5.5), a page that is wider than the screen.
"""

from __future__ import annotations

from typing import Any

from selenium.webdriver.common.action_chains import ActionChains
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys as Key
from selenium.webdriver.support.ui import Select

TARGET_PX = 43.5
"""Least height and width of what is touched: 44 px, less half of one for rounding."""
AHEAD = """
const at = document.activeElement, to = arguments[0], following = Node.DOCUMENT_POSITION_FOLLOWING;
if (at === to) return 0;
const stops = [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")]
  .filter((e) => !e.disabled && e.type !== "hidden" && e.checkVisibility({ visibilityProperty: true }));
const passed = at === document.body ? 0 : stops.filter((e) => !(at.compareDocumentPosition(e) & following)).length;
const place = stops.indexOf(to);
return place >= passed ? place - passed + 1 : stops.length - passed + place + 2;
"""
"""How often the tabulator is pressed until an element has the focus."""
FOCUS = """
const style = getComputedStyle(document.activeElement);
return [document.activeElement === arguments[0], style.outlineStyle, parseFloat(style.outlineWidth)];
"""
AIMED = """
const [e, across] = arguments;
e.scrollIntoView({ block: "center" });
const box = e.getBoundingClientRect(), x = box.x + across * box.width, y = box.y + box.height / 2;
const top = document.elementFromPoint(x, y);
const mine = !!top && (e.contains(top) || [...(e.labels || [])].some((label) => label.contains(top)));
return { x, y, mine, wide: box.width, tall: box.height };
"""
"""A place of an element in the middle of the screen, and whether it is the element's with nothing on top of it."""
MARKED = "const there = document.activeElement === arguments[0]; arguments[0].select(); return there"


def markup(element: Any) -> str:
    """Return how an element begins, for whoever reads why a test failed."""
    return str(element.get_attribute("outerHTML"))[:120]


class Mouse:
    """A mouse, and a keyboard to type with."""

    wide, tall, finger = 1200, 900, False

    def __init__(self, driver: Any) -> None:
        """Take the window."""
        self.driver = driver

    def press(self, element: Any) -> None:
        """Press a button, follow a link, open what is folded: in the middle of it, where nothing may lie on top."""
        self.hit(*self.aim(element, 0.5))

    def aim(self, element: Any, across: float) -> tuple[float, float]:
        """Return the place of an element at half its height and a share of its width, which nothing hides."""
        at = self.driver.execute_script(AIMED, element, across)
        self.fits(element, at)
        assert at["mine"], f"out of reach: {markup(element)}"
        return at["x"], at["y"]

    def fits(self, element: Any, at: dict[str, Any]) -> None:
        """See that the hand can hit what it aims at."""

    def hit(self, x: float, y: float) -> None:
        """Click a place of the screen."""
        at = {"x": x, "y": y, "button": "left", "clickCount": 1}
        for what in ("mousePressed", "mouseReleased"):
            self.driver.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": what, **at})

    def tick(self, element: Any) -> None:
        """Tick a box."""
        self.press(element)

    def write(self, element: Any, text: str) -> None:
        """Write into a field instead of what stands there: go there, mark it all, type."""
        self.press(element)
        assert self.driver.execute_script(MARKED, element), f"it does not get the focus: {markup(element)}"
        self.driver.execute_cdp_cmd("Input.insertText", {"text": text})

    def choose(self, element: Any, value: str) -> None:
        """Choose one of a list, which no script sees once it is open: what it leaves behind is the same."""
        Select(element).select_by_value(value)

    def push(self, slide: Any) -> None:
        """Push a ruler two steps up."""
        self.press(slide)
        ActionChains(self.driver).send_keys(Key.ARROW_RIGHT, Key.ARROW_RIGHT).perform()

    def came(self) -> None:
        """Look at a page that just came."""


class Keys(Mouse):
    """A keyboard alone: everything is reached by the tabulator, and what has the focus can be seen."""

    def go_to(self, element: Any) -> None:
        """Go on to an element by the tabulator; after the end of the page it begins anew."""
        if ahead := self.driver.execute_script(AHEAD, element):
            self.type(*[Key.TAB] * ahead)
        for _ in range(4):  # a list or a ruler that the count does not know
            found, outline, width = self.driver.execute_script(FOCUS, element)
            if found:
                break
            self.type(Key.TAB)
        assert found, f"no way by the tabulator to {markup(element)}"
        assert outline != "none", f"nobody sees that the focus is on {markup(element)}"
        assert width > 0, f"nobody sees that the focus is on {markup(element)}"

    def type(self, *keys: str) -> None:
        """Type keys, whatever has the focus."""
        ActionChains(self.driver).send_keys(*keys).perform()

    def press(self, element: Any) -> None:
        """Press by the enter key."""
        self.go_to(element)
        self.type(Key.ENTER)

    def tick(self, element: Any) -> None:
        """Tick by the space bar."""
        self.go_to(element)
        self.type(Key.SPACE)

    def write(self, element: Any, text: str) -> None:
        """Write over all that stands in a field."""
        self.go_to(element)
        ActionChains(self.driver).key_down(Key.CONTROL).send_keys("a").key_up(Key.CONTROL).send_keys(text).perform()

    def choose(self, element: Any, value: str) -> None:
        """Choose by arrow keys."""
        self.go_to(element)
        options = [o.get_attribute("value") for o in Select(element).options]
        now = options.index(element.get_attribute("value"))
        steps = options.index(value) - now
        self.type(*[Key.ARROW_DOWN if steps > 0 else Key.ARROW_UP] * abs(steps))
        assert element.get_attribute("value") == value

    def push(self, slide: Any) -> None:
        """Push a ruler by arrow keys."""
        self.go_to(slide)
        self.type(Key.ARROW_RIGHT, Key.ARROW_RIGHT)

    def came(self) -> None:
        """Skip to the page: the first stop is the link that does."""
        self.type(Key.TAB)
        assert self.driver.execute_script("return document.activeElement.innerText") == "Skip to the page"
        self.type(Key.ENTER)


class Finger(Mouse):
    """A finger on a telephone of 390 x 844: touches alone, and the telephone's own keyboard and lists."""

    wide, tall, finger = 390, 844, True

    def fits(self, element: Any, at: dict[str, Any]) -> None:
        """See that what is touched is large enough for that."""
        assert min(at["tall"], at["wide"]) >= TARGET_PX, f"{at['wide']} x {at['tall']} px: {markup(element)}"

    def hit(self, x: float, y: float) -> None:
        """Touch a place of the screen."""
        self.down(x, y)
        self.up()

    def down(self, x: float, y: float) -> None:
        """Lay the finger on a place of the screen."""
        points = [{"x": x, "y": y}]
        self.driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": points})

    def up(self) -> None:
        """Lift the finger."""
        self.driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})

    def tick(self, element: Any) -> None:
        """Touch the words beside a box: they are the larger target."""
        label = self.driver.find_element(By.CSS_SELECTOR, f"label[for='{element.get_attribute('id')}']")
        self.press(label)

    def choose(self, element: Any, value: str) -> None:
        """Choose from the telephone's own list, which is large enough to be touched."""
        self.fits(element, self.driver.execute_script(AIMED, element, 0.5))
        super().choose(element, value)

    def push(self, slide: Any) -> None:
        """Touch a ruler at seven tenths of its length."""
        self.hit(*self.aim(slide, 0.7))

    def came(self) -> None:
        """See that nothing is wider than the screen."""
        wide = self.driver.execute_script("return document.documentElement.scrollWidth")
        assert wide <= self.wide, f"{self.driver.current_url} is {wide} px wide"
