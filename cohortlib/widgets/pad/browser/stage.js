// The film with everything on it, drawn at most once a frame.

const LOUPE_RADIUS = 84;

class Stage {
  constructor(pad) {
    this.pad = pad;
    this.canvas = element("canvas", { class: "film", role: "img" });
    this.context = this.canvas.getContext("2d", { alpha: false });
    this.view = new View();
    this.patch = new Patch();
    this.loupePatch = new Patch();
    this.film = null;
    this.greys = { brightness: 0, contrast: 0, inverted: false };
    this.pointer = null;
  }

  show(film, shape) {
    this.film = film;
    Object.assign(this.view, { columns: film.columns, rows: film.rows });
    this.view.aspect = shape && shape.row_mm ? shape.row_mm / shape.column_mm : 1;
    this.view.fit();
    this.setGreys({});
  }

  forget() {
    this.film = null;
    this.patch = new Patch();
    this.loupePatch = new Patch();
    this.redraw();
  }

  setGreys(change) {
    const limit = (value) => Math.min(100, Math.max(-100, value));
    Object.assign(this.greys, change);
    this.greys.brightness = limit(this.greys.brightness);
    this.greys.contrast = limit(this.greys.contrast);
    this.tableIsOld = true;
    this.redraw();
  }

  resize() {
    const box = this.canvas.getBoundingClientRect();
    if (!box.width || !box.height) return;
    this.ratio = Math.min(2, window.devicePixelRatio || 1);
    const width = Math.round(box.width * this.ratio), height = Math.round(box.height * this.ratio);
    if (this.canvas.width !== width || this.canvas.height !== height) Object.assign(this.canvas, { width, height });
    this.view.resize(box.width, box.height);
    this.redraw();
  }

  redraw() {
    if (this.frame) return;
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      this.draw();
    });
  }

  draw() {
    const { context, view, film, ratio = 1 } = this;
    context.setTransform(ratio, 0, 0, ratio, 0, 0);
    context.fillStyle = "#0b0c0e";
    context.fillRect(0, 0, view.width, view.height);
    if (!film) return;
    if (this.tableIsOld) this.table = greyTable(film, this.greys);
    this.drawFilm(context, view, this.patch, this.tableIsOld ? 0 : 0.25);
    this.tableIsOld = false;
    this.drawSigns(context, view);
    this.drawSides(context, view);
    drawScale(context, view, this.pad.scene.shape);
    this.pad.readout();
    if (this.pointer && (this.pad.loupe || this.pad.drags)) this.drawLoupe(context);
  }

  /** The level whose pixels are as large as the screen's, or smaller by less than half. */
  drawFilm(context, view, patch, spare) {
    const level = Math.max(0, Math.floor(-Math.log2(view.across * (this.ratio || 1))));
    if (!patch.cover(this.film, level, view.box(), this.table, spare)) return;
    context.save();
    context.beginPath();
    context.rect(view.left, view.top, view.columns * view.across, view.rows * view.down);
    context.clip();
    patch.draw(context, view, view.across < 8);
    context.restore();
  }

  drawSigns(context, view, { labels = true } = {}) {
    const { pad } = this, { scene } = pad;
    if (pad.zonesShown) {
      const asked = scene.asked === null ? null : scene.steps[scene.asked];
      for (const zone of scene.zones) {
        const same = (step) => step.kind === "zone" && step.side === zone.side && step.zone_system === zone.zone_system && step.zone === zone.zone;
        const step = scene.steps.find(same);
        drawZone(context, view, zone, { asked: Boolean(asked && same(asked)), state: step && step.state });
      }
    }
    if (scene.proposal) drawProposal(context, view, scene.proposal);
    const marks = pad.shownMarks().map((mark) => ({ ...mark, at: view.screenPlace(mark.x_px, mark.y_px) }));
    for (const mark of marks) {
      const selected = mark.mark !== null && mark.mark === pad.selected;
      // Numbers that would cover each other come with a larger view.
      const crowded = marks.some((other) => other !== mark && Math.hypot(other.at.x - mark.at.x, other.at.y - mark.at.y) < 24);
      const label = labels && (selected || !crowded) ? mark.label : "";
      drawMark(context, mark.at, signOf(scene, mark.landmark), { selected, label, unsaved: mark.unsaved });
    }
    if (pad.aim && pad.selected === null) drawAim(context, view.screenPlace(pad.aim.x, pad.aim.y));
  }

  /** The patient's sides at the film's edges; where an edge is out of sight, which way it lies. */
  drawSides(context, view) {
    const y = Math.max(22, view.top + 24), end = view.left + view.columns * view.across;
    const left = view.left >= 0, right = end <= view.width;
    drawWords(context, left ? "R" : "◂ R", Math.max(0, view.left) + 14, y, "#ffffff", { size: left ? 20 : 15 });
    drawWords(context, right ? "L" : "L ▸", Math.min(view.width, end) - 14, y, "#ffffff", { size: right ? 20 : 15, align: "right" });
  }

  /** The film round the pointer, larger; its middle is where a click marks. */
  drawLoupe(context) {
    const { x, y } = this.pointer, { view } = this;
    const larger = Object.assign(new View(), view);
    larger.across = Math.min(24, Math.max(view.across * 3, 2));
    const at = view.filmPlace(x, y);
    larger.left = x - (at.x + 0.5) * larger.across;
    larger.top = y - (at.y + 0.5) * larger.down;
    const box = [(x - LOUPE_RADIUS - larger.left) / larger.across, (y - LOUPE_RADIUS - larger.top) / larger.down,
      (x + LOUPE_RADIUS - larger.left) / larger.across, (y + LOUPE_RADIUS - larger.top) / larger.down];
    context.save();
    context.beginPath();
    context.arc(x, y, LOUPE_RADIUS, 0, 2 * Math.PI);
    context.clip();
    context.fillStyle = "#0b0c0e";
    context.fill();
    if (this.loupePatch.cover(this.film, 0, box, this.table, 0.25)) this.loupePatch.draw(context, larger, true);
    this.drawSigns(context, larger, { labels: false });
    context.restore();
    edged(context, "#f0b45a", 2, (c) => {
      c.moveTo(x + LOUPE_RADIUS, y);
      c.arc(x, y, LOUPE_RADIUS, 0, 2 * Math.PI);
    });
    edged(context, "#ffffff", 1, (c) => {
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        c.moveTo(x + dx * 6, y + dy * 6);
        c.lineTo(x + dx * 22, y + dy * 22);
      }
    });
  }
}
