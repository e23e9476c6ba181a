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
CENTRED = "arguments[0].scrollIntoView({block: 'center'})"
AHEAD = """
const at = document.activeElement, following = Node.DOCUMENT_POSITION_FOLLOWING;
const stops = [...document.querySelectorAll("a[href], button, input, select, textarea, summary, [tabindex='0']")]
  .filter((e) => !e.disabled && e.type !== "hidden" && e.checkVisibility({ visibilityProperty: true }));
const passed = at === document.body ? 0 : stops.filter((e) => !(at.compareDocumentPosition(e) & following)).length;
const to = stops.indexOf(arguments[0]);
return to >= passed ? to - passed + 1 : stops.length - passed + to + 2;
"""
FOCUS = """
const style = getComputedStyle(document.activeElement);
return [document.activeElement === arguments[0], style.outlineStyle, parseFloat(style.outlineWidth)];
"""
BOX = "return arguments[0].getBoundingClientRect().toJSON()"
AIMED = """
const [e, x, y] = arguments, top = document.elementFromPoint(x, y);
return !!top && (e.contains(top) || [...(e.labels || [])].some((label) => label.contains(top)));
"""
"""Whether a place of the screen belongs to an element and nothing lies on top of it."""


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
        self.driver.execute_script(CENTRED, element)
        box = self.driver.execute_script(BOX, element)
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        assert self.driver.execute_script(AIMED, element, x, y), f"out of reach: {markup(element)}"
        self.hit(x, y)

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
        assert self.driver.switch_to.active_element == element, f"it does not get the focus: {markup(element)}"
        self.driver.execute_script("arguments[0].select()", element)
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
        ahead = self.driver.execute_script(AHEAD, element)
        if self.driver.switch_to.active_element != element:
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
        skip = self.driver.switch_to.active_element
        assert skip.text == "Skip to the page"
        self.type(Key.ENTER)


class Finger(Mouse):
    """A finger on a telephone of 390 x 844: touches alone, and the telephone's own keyboard and lists."""

    wide, tall, finger = 390, 844, True

    def press(self, element: Any) -> None:
        """Touch the middle of an element, which is large enough for that."""
        box = self.driver.execute_script(BOX, element)
        assert min(box["height"], box["width"]) >= TARGET_PX, f"{box['width']} x {box['height']} px: {markup(element)}"
        super().press(element)

    def hit(self, x: float, y: float) -> None:
        """Touch a place of the screen."""
        points = [{"x": x, "y": y}]
        self.driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchStart", "touchPoints": points})
        self.driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": "touchEnd", "touchPoints": []})

    def tick(self, element: Any) -> None:
        """Touch the words beside a box: they are the larger target."""
        label = self.driver.find_element(By.CSS_SELECTOR, f"label[for='{element.get_attribute('id')}']")
        self.press(label)

    def choose(self, element: Any, value: str) -> None:
        """Choose from the telephone's own list, which is large enough to be touched."""
        assert self.driver.execute_script(BOX, element)["height"] >= TARGET_PX
        super().choose(element, value)

    def push(self, slide: Any) -> None:
        """Touch a ruler at seven tenths of its length."""
        self.driver.execute_script(CENTRED, slide)
        box = self.driver.execute_script(BOX, slide)
        assert box["height"] >= TARGET_PX
        self.hit(box["x"] + 0.7 * box["width"], box["y"] + box["height"] / 2)

    def came(self) -> None:
        """See that nothing is wider than the screen."""
        wide = self.driver.execute_script("return document.documentElement.scrollWidth")
        assert wide <= self.wide, f"{self.driver.current_url} is {wide} px wide"
