"""The whole job of a shot on the page and nowhere else: from a plate to files on disk. What is
done by hand is counted, and what is waited for is timed."""

import re
import time

from studio import until


# Within the suit of the drawn shot, whatever the frame, as shares of width and height.
DRAWN_BODY = [(0.475, 0.32), (0.535, 0.32), (0.54, 0.52), (0.545, 0.75), (0.515, 0.75), (0.505, 0.62), (0.49, 0.75), (0.46, 0.75), (0.47, 0.52)]


class Hands:
    """Every action of an artist: a click, a drag, a key, a text typed into a field, a choice from a list."""

    def __init__(self, world):
        self.world = world
        self.rows = []

    def part(self, words):
        self.rows.append([words, 0, time.monotonic(), 0.0])

    def end(self):
        self.part("")
        for row, following in zip(self.rows, self.rows[1:]):
            row[3] = following[2] - row[2]
        return [(words, actions, seconds) for words, actions, _, seconds in self.rows[:-1]]

    def count(self, actions=1):
        self.rows[-1][1] += actions

    def click(self, selector):
        self.press(lambda: self.world.one(selector))

    def button(self, words, inside="body"):
        self.press(lambda: self.world.js("return [...document.querySelectorAll(`${arguments[0]} button`)].find((b) => b.offsetParent !== null && b.textContent.trim() === arguments[1])", inside, words))

    def press(self, find):
        def pressed():
            # A view may be made anew between the look and the click: then it is looked for again.
            element = find()
            self.world.js("arguments[0].scrollIntoView({block: 'center'})", element)
            element.click()
            return True
        until("it can be clicked", pressed)
        self.count()

    def type(self, element, text):
        if isinstance(element, str):
            element = self.world.one(element)
        element.clear()
        element.send_keys(text)
        self.count()

    def choose(self, selector, value):
        """Opens a list and chooses."""
        self.world.js("""
            const s = document.querySelector(arguments[0]);
            s.scrollIntoView({block: 'center'});
            s.value = arguments[1];
            s.dispatchEvent(new Event('change', {bubbles: true}));""", selector, value)
        assert self.world.js("return document.querySelector(arguments[0]) !== null", selector)
        self.count(2)

    def key(self, key, focus="#stage"):
        self.world.keys(key, focus)
        self.count()

    def at(self, x, y):
        self.world.actions().move_to_element_with_offset(self.world.one("#stage"), *self.world.stage_at(x, y)).click().perform()
        self.count()


def whole_shot(world, plate, background, outline, screens=""):
    """A shot from its plate to its files: keyed, looked at, a mask drawn where something solid is half open, a number
    pulled, submitted, measured, fetched. `outline`: corners of that mask, at the first frame. Returns rows: what, actions, seconds."""
    hands = Hands(world)
    driver = world.driver

    hands.part("a stack made for the plate")
    driver.get(world.studio.loom())
    until("a stack can be made", lambda: world.one("#new-plate").is_displayed())
    hands.type("#new-plate", plate)
    # What the field offers is what lies in the folder.
    until("the plate is offered", lambda: plate in world.js("return [...document.querySelectorAll('#new-plate-paths option')].map((o) => o.value)"))
    if background:
        hands.type("#new-background", background)
    stack = world.one("#new-stack").get_attribute("value")
    assert stack.endswith(".stack"), stack
    if screens:
        world.screen(f"{screens}-new")
    hands.button("Make the stack")
    until("the stack is open", lambda: world.all(".pass-row") and world.picture_there(), 300)

    hands.part("looked at")
    hands.click('.pass-row[data-name="front"]')
    world.shows("front")
    for key in ("\ue010", "\ue011"):
        hands.key(key)
        until("it is drawn", world.picture_there, 120)
    hands.click('.pass-row[data-name="matte"]')
    world.shows("matte")

    hands.part("a mask drawn, and the key told of it")
    hands.click("#tab-draw")
    hands.button("+ mask", "#view-draw")
    box = until("a name is asked for", lambda: world.one("#ask[open] input"))
    hands.type(box, "inside_body")
    box.send_keys("\ue007")
    hands.count()
    until("the pen is out", lambda: "Drawing inside_body" in world.text("#tool-words"))
    for corner in outline:
        hands.at(*corner)
    if screens:
        world.screen(f"{screens}-draw")
    hands.key("\ue007")
    until("the mask is written", lambda: "inside_body" in world.js("return [...document.querySelectorAll('#view-draw select option')].map((o) => o.value)"))
    hands.click("#tab-passes")
    hands.click('.pass-row[data-name="matte"]')
    path = until("the step is there", lambda: world.path_of("matte", "unmix", "solid"))
    hands.choose(f'[data-path="{path}"] select', "inside_body")
    until("it is written", lambda: "solid" in world.js("return [...document.querySelectorAll('.field.is-set')].map((f) => f.dataset.path ?? '').join()"))
    until("the matte is drawn anew", world.picture_there, 120)

    hands.part("a number pulled")
    hands.click('.pass-row[data-name="front"]')
    world.shows("front")
    path = until("despill is there", lambda: world.path_of("front", "despill", "amount"))
    field = world.field(path)
    world.js("arguments[0].scrollIntoView({block: 'center'})", field)
    was = field.get_attribute("value")
    world.actions().click_and_hold(field).move_by_offset(-6, 0).move_by_offset(-12, 0).release().perform()
    hands.count()
    until("it is written", lambda: world.field(path).get_attribute("value") != was and world.text("#stack-state") == "written")
    until("the picture is drawn anew", world.picture_there, 120)

    hands.part("submitted and watched")
    hands.click("#tab-shot")
    hands.type("#submit-note", "first version")
    hands.click("#submit-here")
    until("the job is done", lambda: "done" in world.text("#shot-job .state") and "Nothing would be rendered" in world.text("#shot-job"), 900)
    if screens:
        world.screen(f"{screens}-submitted")

    hands.part("measured, and the worst frame looked at")
    hands.click("#tab-report")
    hands.button("Measure the mattes", "#view-report")
    until("all is measured", lambda: world.all("#view-report .curve") and not world.text("#view-report .note"), 600)
    if world.all("#view-report .findings button"):
        hands.click("#view-report .findings button")
    hands.key("o")
    until("it is drawn over the plate", world.picture_there, 120)

    hands.part("fetched")
    hands.click("#tab-fetch")
    until("deliverables are listed", lambda: world.all("#view-fetch tbody tr"))
    hands.button("Fetch all", "#view-fetch")
    until("all is whole", lambda: len(re.findall("whole, ", world.text("#view-fetch"))) == len(world.all("#view-fetch tbody tr")), 300)
    return stack, hands.end()


def table(rows):
    lines = [f"{'what':46} {'actions':>8} {'seconds':>8}"]
    lines += [f"{what:46} {actions:8} {seconds:8.1f}" for what, actions, seconds in rows]
    lines.append(f"{'all':46} {sum(r[1] for r in rows):8} {sum(r[2] for r in rows):8.1f}")
    return "\n".join(lines)
