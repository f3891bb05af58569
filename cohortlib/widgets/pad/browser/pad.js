// The pad as a whole: what the kernel says (the scene), what the hand does, and what is seen.

class Pad {
  constructor(model, place) {
    this.model = model;
    this.scene = model.get("scene");
    Object.assign(this, { selected: null, aim: null, moved: null, drags: false, loupe: false, zonesShown: true, film: -1, later: [] });
    this.stage = new Stage(this);
    this.link = new Link(model, () => this.refresh());
    this.status = element("p", { class: "readout" }, " ");
    this.frame = element("div", { class: "stage", tabindex: 0, role: "application", "aria-label": "Film. H shows the keys." }, this.stage.canvas);
    this.side = new Side(this);
    this.hand = new Hand(this);
    // The page's own shortcuts must not cut a cell while a mark is set.
    this.root = element("div", { class: "marking-pad", "data-lm-suppress-shortcuts": "true", "data-jupyter-suppress-context-menu": "true" },
      this.side.tools, element("div", { class: "middle" }, element("div", { class: "left" }, this.frame, this.side.keys, this.status), this.side.column));
    this.root.addEventListener("keydown", (event) => this.hand.key(event));
    place.append(this.root);
    this.watch();
    this.take();
  }

  watch() {
    this.onScene = () => this.take();
    this.onPixels = (message, buffers) => this.pixels(message, buffers);
    this.onHide = () => this.hand.settle();
    this.model.on("change:scene", this.onScene);
    this.model.on("msg:custom", this.onPixels);
    document.addEventListener("visibilitychange", this.onHide);
    this.sizes = new ResizeObserver(() => this.stage.resize());
    this.sizes.observe(this.frame);
  }

  close() {
    this.hand.settle();
    this.model.off("change:scene", this.onScene);
    this.model.off("msg:custom", this.onPixels);
    document.removeEventListener("visibilitychange", this.onHide);
    this.sizes.disconnect();
  }

  /** A new scene from the kernel. */
  take() {
    this.scene = this.model.get("scene");
    this.link.heard(this.scene);
    if (this.selected !== null && !this.scene.marks.some((mark) => mark.mark === this.selected)) this.selected = null;
    if (this.scene.film !== this.film) {
      this.film = this.scene.film;
      Object.assign(this, { selected: null, aim: null, moved: null });
      this.stage.forget();
      this.root.dataset.film = "";
      if (this.scene.number && this.scene.shape) this.model.send({ want: "pixels" });
    }
    this.refresh();
    if (this.scene.notice) this.later = [];
    if (!this.link.waiting.length && this.later.length) this.later.shift()();
  }

  pixels(message, buffers) {
    if (message.film !== this.film || this.stage.film) return; // of a film that is gone, or for another view
    const { buffer, byteOffset, byteLength } = buffers[0];
    const whole = byteOffset % 2 ? new Uint16Array(buffer.slice(byteOffset, byteOffset + byteLength)) : new Uint16Array(buffer, byteOffset, byteLength / 2);
    this.stage.show(new Film(whole, message), this.scene.shape);
    this.root.dataset.film = "shown";
    this.refresh();
  }

  refresh() {
    this.side.update();
    const marks = this.scene.marks.length;
    const many = `${marks} ${marks === 1 ? "mark" : "marks"}`;
    const picture = this.scene.number ? `Radiograph, film ${this.scene.number} of ${this.scene.of}, ${many}` : "No film";
    this.stage.canvas.setAttribute("aria-label", picture);
    this.frame.setAttribute("aria-busy", String(Boolean(this.scene.number && !this.stage.film)));
    this.stage.redraw();
  }

  /** The marks as they are to be drawn: stored ones, moved ones where they are now, and those on their way. */
  shownMarks() {
    const counts = {};
    const label = ({ landmark, side }) => {
      const key = `${side} ${landmark}`;
      counts[key] = (counts[key] || 0) + 1;
      const step = this.scene.steps.find((one) => one.kind === "mark" && one.landmark === landmark && one.side === side);
      return step && step.asked > 1 ? String(counts[key]) : landmark.replaceAll("_", " ");
    };
    const marks = this.scene.marks.map((mark) => ({ ...mark, label: label(mark), unsaved: false }));
    for (const { action, given } of this.link.waiting) {
      const known = marks.find((mark) => mark.mark === given.mark);
      if (action === "add_mark") marks.push({ ...given, mark: null, label: label(given), unsaved: true });
      else if (action === "move_mark" && known) Object.assign(known, given, { unsaved: true });
      else if (action === "take_back" && known) marks.splice(marks.indexOf(known), 1);
    }
    const held = this.moved && marks.find((mark) => mark.mark === this.moved.mark);
    if (held) Object.assign(held, this.moved, { unsaved: true });
    return marks;
  }

  /** The step that is asked for, counting what is on its way to the store. */
  askedStep() {
    const { scene } = this;
    return scene.asked === null ? null : scene.steps[scene.asked];
  }

  setMark(place) {
    if (!this.stage.view.isOnFilm(place)) return;
    // While a mark is on its way, what is asked for next is not known: the click waits for the answer.
    if (this.link.waiting.length) return this.afterwards(() => this.setMark(place));
    const step = this.askedStep();
    if (!step || step.kind !== "mark") return;
    this.selected = null;
    this.link.ask("add_mark", { landmark: step.landmark, side: step.side, ...rounded(place) });
  }

  /** Once the store has answered; after a refusal, never. */
  afterwards(act) {
    this.later.push(act);
  }

  /** What is asked for is looked for on the film; the answer is drawn and is no mark. */
  propose() {
    if (this.scene.proposes && !this.link.waiting.length) this.link.ask("propose");
  }

  answerProposal(how) {
    if (this.scene.proposal && !this.link.waiting.length) this.link.ask(how);
  }

  select(mark) {
    this.hand.settle();
    this.selected = mark;
    const chosen = this.scene.marks.find((one) => one.mark === mark);
    if (chosen) this.stage.view.reach(chosen.x_px, chosen.y_px);
    this.refresh();
  }

  selectBeside(step) {
    const numbers = this.scene.marks.map((mark) => mark.mark);
    if (!numbers.length) return;
    const from = numbers.indexOf(this.selected);
    const start = from < 0 ? (step > 0 ? -1 : 0) : from;
    this.select(numbers[(start + step + numbers.length) % numbers.length]);
  }

  takeBack() {
    if (this.selected === null) return;
    this.moved = null;
    this.link.ask("take_back", { mark: this.selected });
    this.selected = null;
  }

  undo(which) {
    this.hand.settle();
    this.link.ask(which);
  }

  choose(isIt) {
    this.link.ask("choose", { step: this.scene.steps.findIndex(isIt) });
  }

  grade(key, state, width = null) {
    const step = this.scene.steps.find((one) => Object.entries(key).every(([name, value]) => one[name] === value));
    if (step && step.state === state && width === null) this.link.ask("take_back_grade", key);
    else this.link.ask("grade", { ...key, state, width_mm: width });
  }

  gradeAsked(state) {
    const step = this.askedStep();
    if (this.link.waiting.length) return this.afterwards(() => this.gradeAsked(state));
    if (!step || step.kind !== "zone") return;
    this.link.ask("grade", { side: step.side, zone_system: step.zone_system, zone: step.zone, state, width_mm: null });
  }

  gradeScale(key, grade) {
    const step = this.scene.steps.find((one) => Object.entries(key).every(([name, value]) => one[name] === value));
    if (step && step.grade === grade) this.link.ask("take_back_scale", key);
    else this.link.ask("grade_scale", { ...key, grade });
  }

  /** The grade with this place among those of the part of a scale that is asked for. */
  gradeScaleAsked(which) {
    const step = this.askedStep();
    if (this.link.waiting.length) return this.afterwards(() => this.gradeScaleAsked(which));
    if (!step || step.kind !== "scale" || !step.grades[which]) return;
    this.link.ask("grade_scale", { side: step.side, scale: step.scale, part: step.part, grade: step.grades[which].grade });
  }

  gradeWidth(key, text) {
    const step = this.scene.steps.find((one) => Object.entries(key).every(([name, value]) => one[name] === value));
    this.link.ask("grade", { ...key, state: step.state, width_mm: text === "" ? null : Number(text) });
  }

  forward() {
    this.hand.settle();
    if (this.link.waiting.length) return;
    if (this.scene.number && !this.scene.finished && this.scene.missing.length) this.side.askWhy(true);
    else this.finish("");
  }

  finish(remark) {
    this.link.ask(this.scene.number && !this.scene.finished ? "finish" : "next", this.scene.number && !this.scene.finished ? { remark } : {});
    this.frame.focus({ preventScroll: true });
  }

  back() {
    this.hand.settle();
    if (!this.link.waiting.length && this.scene.number !== 1) this.link.ask("previous");
  }

  toggle(what) {
    this[what] = !this[what];
    this.refresh();
  }

  /** Where the pointer is, else the aim, and how large the film is shown. */
  readout() {
    const { view, pointer } = this.stage;
    const place = pointer ? view.filmPlace(pointer.x, pointer.y) : this.aim;
    const where = place && view.isOnFilm(place) ? `x ${place.x.toFixed(1)}  y ${place.y.toFixed(1)} px  ·  ` : "";
    say(this.status, `${where}${Math.round(100 * view.across)} %`);
  }
}

export default {
  render({ model, el }) {
    const pad = new Pad(model, el);
    return () => pad.close();
  },
};
