// What mouse and keys do on the film. Every change goes through `pad.link` and is stored by the kernel.

const REACH_PX = 9; // a mark is taken hold of within this distance
const DRAG_PX = 4; // less is a click
const NUDGE_PAUSE_MS = 400; // a row of nudges is one move

const KEYS = [
  ["Click, Enter", "set the mark that is asked for"],
  ["Drag", "move the film; on a mark: move the mark"],
  ["Shift + click", "mark close beside another mark"],
  ["Wheel, + −", "larger, smaller"],
  ["0", "whole film"],
  ["Right drag", "contrast (across), brightness (up and down)"],
  ["[ ]   , .", "contrast, brightness"],
  ["R   I", "greys as at first; black and white exchanged"],
  ["Arrows", "move the chosen mark, or the aim, by 1 pixel of the film"],
  ["Shift + arrows", "by 20 pixels"],
  ["N   P", "next mark, mark before"],
  ["Esc", "let the mark go"],
  ["Delete", "take the mark back"],
  ["Ctrl Z   Ctrl Y", "undo, redo"],
  ["1 2 3 4", "no line, part, whole, not assessable: the zone that is asked for"],
  ["A B C …", "the grades of a scale, as its buttons stand: the one that is asked for"],
  ["S", "look for what is asked for, where the pad proposes"],
  ["T   L", "take what is proposed as marks; leave it"],
  ["M   Z", "magnifier; zones shown or hidden"],
  ["Page Down", "finish this film, next film"],
  ["Page Up", "the film before, to look and correct"],
  ["H", "these keys"],
];

class Hand {
  constructor(pad) {
    this.pad = pad;
    const { canvas } = pad.stage;
    const on = (name, act, options) => canvas.addEventListener(name, act, options);
    on("pointerdown", (event) => this.down(event));
    on("pointermove", (event) => this.move(event));
    on("pointerup", (event) => this.up(event));
    on("pointercancel", () => this.letGo());
    on("pointerleave", () => this.leave());
    on("contextmenu", (event) => event.preventDefault());
    on("wheel", (event) => this.wheel(event), { passive: false });
    pad.frame.addEventListener("blur", () => this.settle());
  }

  place(event) {
    const box = this.pad.stage.canvas.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  }

  nearest({ x, y }) {
    let found = null, least = REACH_PX;
    for (const mark of this.pad.shownMarks()) {
      const at = this.pad.stage.view.screenPlace(mark.x_px, mark.y_px);
      const distance = Math.hypot(at.x - x, at.y - y);
      if (mark.mark !== null && distance < least) [found, least] = [mark, distance];
    }
    return found;
  }

  down(event) {
    const { pad } = this;
    if (!pad.stage.film) return;
    event.preventDefault();
    pad.frame.focus({ preventScroll: true });
    this.settle();
    pad.stage.canvas.setPointerCapture(event.pointerId);
    const at = this.place(event);
    const mark = event.button === 0 && !event.shiftKey ? this.nearest(at) : null;
    this.held = { button: event.button, from: at, last: at, mark, far: false, id: event.pointerId };
  }

  move(event) {
    const { pad, held } = this, { stage } = pad;
    const at = this.place(event);
    stage.pointer = at;
    if (held) {
      held.far ||= Math.hypot(at.x - held.from.x, at.y - held.from.y) > DRAG_PX;
      const x = at.x - held.last.x, y = at.y - held.last.y;
      if (held.far) {
        held.last = at;
        if (held.button === 2) stage.setGreys({ contrast: stage.greys.contrast + x / 4, brightness: stage.greys.brightness - y / 4 });
        else if (held.mark) this.carry(held.mark, at);
        else stage.view.pan(x, y);
        if (held.button === 2) pad.side.showGreys();
      }
    }
    stage.redraw();
  }

  carry(mark, at) {
    const place = this.pad.stage.view.filmPlace(at.x, at.y);
    if (!this.pad.stage.view.isOnFilm(place)) return;
    this.pad.drags = true;
    this.pad.selected = mark.mark;
    this.pad.moved = { mark: mark.mark, ...rounded(place) };
    this.pad.side.showLink();
  }

  up(event) {
    const { pad, held } = this;
    if (!held || held.id !== event.pointerId) return;
    const at = this.place(event);
    this.held = null;
    if (pad.drags) this.settle();
    else if (!held.far && held.button === 0) this.click(at, held.mark);
    pad.drags = false;
    pad.stage.redraw();
  }

  letGo() {
    this.held = null;
    this.pad.drags = false;
    this.pad.moved = null;
    this.pad.stage.redraw();
  }

  leave() {
    if (this.held) return;
    this.pad.stage.pointer = null;
    this.pad.stage.redraw();
  }

  click(at, mark) {
    const { pad } = this;
    if (mark) return pad.select(mark.mark);
    const place = pad.stage.view.filmPlace(at.x, at.y);
    const step = pad.askedStep();
    if (step && step.kind === "zone") {
      const zone = pad.zonesShown && pad.scene.zones.find(({ corners }) => isInside(corners, place));
      if (zone) pad.choose((other) => other.kind === "zone" && ["side", "zone_system", "zone"].every((name) => other[name] === zone[name]));
    } else {
      pad.setMark(place);
    }
  }

  wheel(event) {
    if (!this.pad.stage.film) return;
    event.preventDefault();
    const { x, y } = this.place(event);
    const lines = event.deltaMode ? event.deltaY * 20 : event.deltaY;
    this.pad.stage.view.zoom(x, y, 2 ** (-Math.max(-240, Math.min(240, lines)) / 240));
    this.pad.readout({ x, y });
    this.pad.stage.redraw();
  }

  /** Send a mark that was carried or nudged, once it lies still. */
  settle() {
    const { pad } = this;
    clearTimeout(this.pause);
    if (!pad.moved) return;
    const { mark, x_px, y_px } = pad.moved;
    pad.moved = null;
    pad.link.ask("move_mark", { mark, x_px, y_px });
  }

  arrow(x, y) {
    const { pad } = this, { view } = pad.stage;
    if (pad.selected === null) {
      pad.aim ||= view.filmPlace(view.width / 2, view.height / 2);
      const aim = { x: Math.round(pad.aim.x) + x, y: Math.round(pad.aim.y) + y };
      if (view.isOnFilm(aim)) pad.aim = aim;
      view.reach(pad.aim.x, pad.aim.y);
    } else {
      const mark = pad.shownMarks().find((one) => one.mark === pad.selected);
      const place = { x: mark.x_px + x, y: mark.y_px + y };
      if (view.isOnFilm(place)) pad.moved = { mark: pad.selected, ...rounded(place) };
      view.reach(place.x, place.y);
      clearTimeout(this.pause);
      this.pause = setTimeout(() => this.settle(), NUDGE_PAUSE_MS);
      pad.side.showLink();
    }
    pad.stage.redraw();
  }

  key(event) {
    // What a field, a slider or a button needs itself stays with it.
    const { target, key } = event;
    if (target.matches("input:not([type=range])") && !/^Page/.test(key)) return;
    if (target.matches("input") && /^(Arrow|Home|End)/.test(key)) return;
    if (target.matches("button") && /^(Enter| )$/.test(key)) return;
    const act = this.action(event);
    if (!act) return;
    event.preventDefault();
    event.stopPropagation();
    act();
  }

  action(event) {
    const { pad } = this, { stage } = pad, { view, greys } = stage;
    const key = event.key.length === 1 ? event.key.toLowerCase() : event.key;
    if (event.altKey) return null;
    if (event.ctrlKey || event.metaKey) {
      if (key === "z") return () => pad.undo(event.shiftKey ? "redo" : "undo");
      if (key === "y") return () => pad.undo("redo");
      return null;
    }
    if (key === "PageDown") return () => pad.forward();
    if (key === "PageUp") return () => pad.back();
    if (key === "h" || key === "?") return () => pad.side.toggleKeys();
    if (!stage.film) return null;
    const far = event.shiftKey ? 20 : 1;
    const arrows = { ArrowLeft: [-far, 0], ArrowRight: [far, 0], ArrowUp: [0, -far], ArrowDown: [0, far] };
    if (arrows[key]) return () => this.arrow(...arrows[key]);
    const middle = pad.aim ? view.screenPlace(pad.aim.x, pad.aim.y) : { x: view.width / 2, y: view.height / 2 };
    const zoom = (factor) => () => { view.zoom(middle.x, middle.y, factor); stage.redraw(); };
    const shade = (change) => () => { stage.setGreys(change); pad.side.showGreys(); };
    if (/^[1-4]$/.test(key)) return () => pad.gradeAsked(pad.scene.states[Number(key) - 1]);
    if (GRADE_KEYS.includes(key)) return () => pad.gradeScaleAsked(GRADE_KEYS.indexOf(key));
    return {
      Enter: () => pad.aim && pad.setMark(pad.aim),
      " ": () => pad.aim && pad.setMark(pad.aim),
      Escape: () => pad.select(null),
      Delete: () => pad.takeBack(),
      Backspace: () => pad.takeBack(),
      n: () => pad.selectBeside(1),
      p: () => pad.selectBeside(-1),
      "+": zoom(1.25), "=": zoom(1.25), "-": zoom(0.8), _: zoom(0.8),
      0: () => { view.fit(); stage.redraw(); },
      s: () => pad.propose(),
      t: () => pad.answerProposal("take_proposal"),
      l: () => pad.answerProposal("leave_proposal"),
      m: () => pad.toggle("loupe"),
      z: () => pad.toggle("zonesShown"),
      i: shade({ inverted: !greys.inverted }),
      r: shade({ brightness: 0, contrast: 0, inverted: false }),
      "[": shade({ contrast: greys.contrast - 5 }), "]": shade({ contrast: greys.contrast + 5 }),
      ",": shade({ brightness: greys.brightness - 5 }), ".": shade({ brightness: greys.brightness + 5 }),
    }[key] || null;
  }
}

/** A film place as it is stored: a hundredth of a pixel is finer than any hand. */
function rounded({ x, y }) {
  return { x_px: Math.round(x * 100) / 100, y_px: Math.round(y * 100) / 100 };
}
