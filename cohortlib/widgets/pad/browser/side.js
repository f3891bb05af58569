// The column beside the film: what is asked for, what is done, the greys, and where the reader is.

const STATE_WORDS = {
  none: "no line", incomplete: "line in part of the zone", complete: "line along the whole zone", "not assessable": "not assessable",
};

class Side {
  constructor(pad) {
    this.pad = pad;
    this.verb = element("span", { class: "verb" });
    this.what = element("span", {});
    this.asked = element("p", { class: "asked", "aria-live": "polite" }, this.verb, this.what);
    this.place = element("p", { class: "place" });
    this.bar = element("progress", { "aria-label": "Films finished", max: 1, value: 0 });
    this.saved = element("p", { class: "saved", role: "status" });
    this.notice = element("p", { class: "notice", role: "alert", hidden: true });
    this.list = element("div", { class: "steps" });
    this.proposal = this.proposalForm();
    this.undo = button("↶ Undo", () => pad.undo("undo"), { "aria-keyshortcuts": "Control+Z" });
    this.redo = button("↷ Redo", () => pad.undo("redo"), { "aria-keyshortcuts": "Control+Y" });
    this.remove = button("Take mark back", () => pad.takeBack(), { "aria-keyshortcuts": "Delete" });
    this.back = button("◂ Before", () => pad.back(), { "aria-keyshortcuts": "PageUp" });
    this.forward = button("Finish, next ▸", () => pad.forward(), { class: "main", "aria-keyshortcuts": "PageDown" });
    this.remark = this.remarkForm();
    this.keys = this.keyTable();
    this.tools = this.toolBar();
    this.column = element("aside", { class: "side", "aria-label": "Marks and grades" },
      element("div", { class: "head" }, this.place, this.bar, this.asked, this.notice, this.proposal), this.list, this.remark,
      element("div", { class: "foot" }, element("div", { class: "row" }, this.undo, this.redo, this.remove),
        element("div", { class: "row" }, this.back, this.forward), this.saved));
  }

  proposalForm() {
    const { pad } = this;
    this.sureness = element("p", { "aria-live": "polite" });
    this.seek = button("Propose", () => pad.propose(), { "aria-keyshortcuts": "S", title: "Look for it on the film (S)" });
    this.taken = button("Take as marks", () => pad.answerProposal("take_proposal"), { "aria-keyshortcuts": "T" });
    this.leave = button("Leave", () => pad.answerProposal("leave_proposal"), { "aria-keyshortcuts": "L" });
    return element("div", { class: "proposal" }, this.sureness, element("div", { class: "row" }, this.seek, this.taken, this.leave));
  }

  showProposal() {
    const { proposes, proposal } = this.pad.scene;
    this.proposal.hidden = !proposes;
    this.seek.hidden = Boolean(proposal);
    this.taken.hidden = this.leave.hidden = this.sureness.hidden = !proposal;
    say(this.sureness, proposal ? `Proposed, ${proposal.words}. Not stored.` : "");
  }

  toolBar() {
    const { pad } = this;
    const slider = (name) => element("input", {
      type: "range", min: -100, max: 100, step: 1, value: 0, "aria-label": name,
      oninput: (event) => pad.stage.setGreys({ [name]: Number(event.target.value) }),
    });
    this.brightness = slider("brightness");
    this.contrast = slider("contrast");
    const toggle = (words, press, key) => button(words, press, { "aria-pressed": "false", "aria-keyshortcuts": key });
    this.inverted = toggle("Invert", () => { pad.stage.setGreys({ inverted: !pad.stage.greys.inverted }); this.showGreys(); }, "I");
    this.loupe = toggle("Magnifier", () => pad.toggle("loupe"), "M");
    this.zones = toggle("Zones", () => pad.toggle("zonesShown"), "Z");
    const zoom = (factor) => () => { const { view } = pad.stage; view.zoom(view.width / 2, view.height / 2, factor); pad.stage.redraw(); };
    return element("div", { class: "tools", role: "toolbar", "aria-label": "How the film is shown" },
      element("label", {}, "Brightness ", this.brightness), element("label", {}, "Contrast ", this.contrast),
      button("Reset", () => { pad.stage.setGreys({ brightness: 0, contrast: 0, inverted: false }); this.showGreys(); }, { "aria-keyshortcuts": "R" }),
      this.inverted, element("span", { class: "gap" }),
      button("−", zoom(0.8), { "aria-label": "smaller" }), button("+", zoom(1.25), { "aria-label": "larger" }),
      button("Whole film", () => { pad.stage.view.fit(); pad.stage.redraw(); }, { "aria-keyshortcuts": "0" }),
      this.loupe, this.zones, button("Keys", () => this.toggleKeys(), { "aria-keyshortcuts": "H" }));
  }

  keyTable() {
    const rows = KEYS.map(([keys, does]) => element("tr", {}, element("th", { scope: "row" }, keys), element("td", {}, does)));
    return element("div", { class: "keys", role: "region", "aria-label": "Keys", hidden: true, tabindex: -1,
      onkeydown: (event) => { if (event.key === "Escape") { event.stopPropagation(); this.toggleKeys(); } } },
    element("table", {}, element("tbody", {}, ...rows)), button("Close", () => this.toggleKeys()));
  }

  toggleKeys() {
    this.keys.hidden = !this.keys.hidden;
    (this.keys.hidden ? this.pad.frame : this.keys.querySelector("button")).focus({ preventScroll: true });
  }

  remarkForm() {
    this.why = element("input", { type: "text", maxlength: 400, "aria-label": "Why it is missing" });
    this.left = element("p", {});
    const send = () => { if (this.why.value.trim()) this.pad.finish(this.why.value.trim()); else this.why.focus(); };
    this.why.addEventListener("keydown", (event) => { if (event.key === "Enter") send(); });
    return element("div", { class: "remark", hidden: true }, this.left, this.why,
      element("div", { class: "row" }, button("Go on marking", () => this.askWhy(false)), button("Finish without", send)));
  }

  askWhy(asked) {
    this.remark.hidden = !asked;
    this.why.value = "";
    if (asked) this.why.focus({ preventScroll: true });
    else this.pad.frame.focus({ preventScroll: true });
  }

  showGreys() {
    const { greys } = this.pad.stage;
    this.brightness.value = Math.round(greys.brightness);
    this.contrast.value = Math.round(greys.contrast);
    this.inverted.setAttribute("aria-pressed", String(greys.inverted));
  }

  showLink() {
    // A mark that is carried or nudged is not saved before it lies still.
    const held = this.pad.moved && this.pad.link.words.state === "saved";
    const { state, words } = held ? { state: "saving", words: "… Saving" } : this.pad.link.words;
    this.saved.dataset.state = state;
    say(this.saved, words);
  }

  update() {
    const { pad } = this, { scene } = pad, step = pad.askedStep();
    const done = scene.of && (scene.number - (scene.finished ? 0 : 1)) / scene.of;
    say(this.place, scene.number ? `Film ${scene.number} of ${scene.of}${scene.finished ? " · finished before" : ""}` : "No film");
    this.bar.value = done;
    const [verb, what] = askedWords(scene, step);
    say(this.verb, verb);
    say(this.what, what);
    say(this.notice, scene.notice);
    this.notice.hidden = !scene.notice;
    const more = scene.missing.length - 6;
    const left = scene.missing.slice(0, 6).join(", ") + (more > 0 ? ` and ${more} more` : "");
    say(this.left, `Still to do: ${left}. Why can it not be done?`);
    const shape = JSON.stringify([scene.film, scene.steps.map((one) => one.words)]);
    if (shape !== this.shape) {
      this.shape = shape;
      this.askWhyQuietly();
      this.build();
    }
    scene.steps.forEach((one, place) => this.lines[place](one, place === scene.asked));
    this.undo.disabled = !scene.undo;
    this.redo.disabled = !scene.redo;
    this.remove.disabled = pad.selected === null;
    this.back.disabled = scene.number === 1;
    this.forward.disabled = !scene.number && !scene.pause;
    say(this.forward, scene.finished || !scene.number ? "Next ▸" : "Finish, next ▸");
    for (const name of ["loupe", "zones"]) this[name].setAttribute("aria-pressed", String(name === "loupe" ? pad.loupe : pad.zonesShown));
    this.showProposal();
    this.showLink();
  }

  askWhyQuietly() {
    this.remark.hidden = true;
    this.why.value = "";
  }

  /** The list of steps, made once a film; afterwards only its words and states change, so focus stays. */
  build() {
    const { scene } = this.pad;
    this.lines = [];
    const parts = [];
    let group = null, heading = "";
    scene.steps.forEach((step, place) => {
      const title = step.heading;
      if (title !== heading) {
        heading = title;
        group = element("section", { "aria-label": title }, element("h4", {}, title));
        parts.push(group);
      }
      const { line, update } = this.lineOf(step, place);
      group.append(line);
      this.lines.push((now, asked) => {
        line.classList.toggle("now", asked);
        if (asked && !line.wasAsked) this.reveal(line);
        line.wasAsked = asked;
        update(now, asked);
      });
    });
    if (scene.steps.some((step) => step.kind === "zone")) {
      const words = scene.states.map((state, place) => `${place + 1}  ${STATE_GLYPHS[state]}  ${STATE_WORDS[state]}`);
      parts.push(element("p", { class: "legend" }, words.join("\n")));
    }
    this.list.replaceChildren(...parts);
  }

  lineOf(step, place) {
    if (step.kind === "mark") return this.markLine(step, place);
    return step.kind === "zone" ? this.zoneLine(step, place) : scaleLine(this.pad, step, place);
  }

  markLine(step, place) {
    const count = element("span", { class: "count" });
    const line = button("", () => this.pad.link.ask("choose", { step: place }), { class: "line" });
    line.append(signPicture(signOf(this.pad.scene, step.landmark)), element("span", { class: "what" }, step.landmark.replaceAll("_", " ")), count);
    const update = (now, asked) => {
      say(count, `${now.left ? "" : "✓ "}${now.done} of ${now.asked}`);
      line.setAttribute("aria-label", `${now.words}: ${now.done} of ${now.asked} marked`);
      if (asked) line.setAttribute("aria-current", "step");
      else line.removeAttribute("aria-current");
    };
    return { line, update };
  }

  zoneLine(step, place) {
    const { pad } = this;
    const key = { side: step.side, zone_system: step.zone_system, zone: step.zone };
    const buttons = pad.scene.states.map((state) => button(STATE_GLYPHS[state], () => pad.grade(key, state),
      { "aria-label": `${step.words}: ${STATE_WORDS[state]}`, title: STATE_WORDS[state] }));
    const width = element("input", { type: "number", min: 0, max: 30, step: 0.1, "aria-label": `${step.words}: greatest width, mm`, placeholder: "mm",
      onchange: (event) => pad.gradeWidth(key, event.target.value) });
    const name = button(step.zone, () => pad.link.ask("choose", { step: place }), { class: "zone", "aria-label": step.words });
    const line = element("div", { class: "line" }, name, element("span", { class: "states", role: "group", "aria-label": step.words }, ...buttons), width);
    const update = (now, asked) => {
      buttons.forEach((one, which) => one.setAttribute("aria-pressed", String(now.state === pad.scene.states[which])));
      width.hidden = !["incomplete", "complete"].includes(now.state);
      if (document.activeElement !== width) width.value = now.width_mm === null ? "" : now.width_mm;
      if (asked) name.setAttribute("aria-current", "step");
      else name.removeAttribute("aria-current");
    };
    return { line, update };
  }

  /** Scroll the list, and never the page, to a line. */
  reveal(line) {
    const top = line.offsetTop, { list } = this; // the list is what a line is placed in
    if (top < list.scrollTop + 30) list.scrollTop = Math.max(0, top - 40);
    else if (top + line.offsetHeight > list.scrollTop + list.clientHeight) list.scrollTop = top + line.offsetHeight - list.clientHeight + 60;
  }
}

/** What the reader is asked for: a short word and the thing. */
function askedWords(scene, step) {
  if (scene.pause) return ["Pause ", scene.pause];
  if (!scene.number) return ["", "No film in view."];
  if (!step && scene.finished) return ["Finished before ", "Marks and grades may be corrected."];
  if (!step) return ["All done ", "Page Down: finish, next film"];
  if (step.kind !== "mark") return ["Grade now ", step.words];
  const many = step.asked > 1 || step.done > 0;
  return ["Mark now ", step.words + (many ? `, ${step.done + 1} of ${Math.max(step.asked, step.done + 1)}` : "")];
}
