// What is drawn over a film: light lines with a dark edge. Landmarks differ by shape, never by colour alone.

const SIGNS = ["cross", "ring", "diamond", "square", "triangle", "bars"];
const SIGN_COLOURS = ["#ffe08a", "#9fe8ff", "#ffb59c", "#c8f5b0", "#e3c7ff", "#ffffff"];
const STATE_GLYPHS = { none: "○", incomplete: "◐", complete: "●", "not assessable": "?" };

/** The shape of a landmark: the order of the plan decides. */
function signOf(scene, landmark) {
  const names = [...new Set(scene.steps.filter((step) => step.kind === "mark").map((step) => step.landmark))];
  const place = Math.max(0, names.indexOf(landmark)) % SIGNS.length;
  return { sign: SIGNS[place], colour: SIGN_COLOURS[place] };
}

/** Draw lines twice: a dark edge, then the light line. */
function edged(context, colour, width, path) {
  context.beginPath();
  path(context);
  context.lineWidth = width + 2.2;
  context.strokeStyle = "rgba(0,0,0,0.8)";
  context.stroke();
  context.lineWidth = width;
  context.strokeStyle = colour;
  context.stroke();
}

function signPath(sign, x, y, r) {
  return (c) => {
    if (sign === "cross") {
      for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
        c.moveTo(x + dx * 2.5, y + dy * 2.5);
        c.lineTo(x + dx * r * 1.3, y + dy * r * 1.3);
      }
    } else if (sign === "ring") {
      c.moveTo(x + r, y);
      c.arc(x, y, r, 0, 2 * Math.PI);
    } else if (sign === "bars") {
      for (const dx of [-r * 0.7, r * 0.7]) {
        c.moveTo(x + dx, y - r);
        c.lineTo(x + dx, y + r);
      }
    } else {
      const corners = {
        diamond: [[0, -1.25], [1.25, 0], [0, 1.25], [-1.25, 0]],
        square: [[-0.9, -0.9], [0.9, -0.9], [0.9, 0.9], [-0.9, 0.9]],
        triangle: [[0, -1.2], [1.1, 0.8], [-1.1, 0.8]],
      }[sign];
      corners.forEach(([dx, dy], place) => (place ? c.lineTo(x + dx * r, y + dy * r) : c.moveTo(x + dx * r, y + dy * r)));
      c.closePath();
    }
  };
}

function drawMark(context, at, { sign, colour }, { selected, label, unsaved }) {
  context.setLineDash(unsaved ? [3, 3] : []);
  edged(context, colour, selected ? 2.4 : 1.5, signPath(sign, at.x, at.y, selected ? 8 : 6));
  context.setLineDash([]);
  if (sign !== "cross") {
    context.fillStyle = colour;
    context.fillRect(at.x - 0.75, at.y - 0.75, 1.5, 1.5);
  }
  if (selected) edged(context, "#ffffff", 1.4, (c) => {
    c.moveTo(at.x + 14, at.y);
    c.arc(at.x, at.y, 14, 0, 2 * Math.PI);
  });
  if (label) drawWords(context, label, at.x + 12, at.y - 9, colour);
}

function drawWords(context, words, x, y, colour, { size = 12, align = "left" } = {}) {
  context.font = `600 ${size}px system-ui, "DejaVu Sans", sans-serif`;
  context.textAlign = align;
  context.textBaseline = "middle";
  context.lineJoin = "round";
  context.lineWidth = 3.5;
  context.strokeStyle = "rgba(0,0,0,0.85)";
  context.strokeText(words, x, y);
  context.fillStyle = colour;
  context.fillText(words, x, y);
}

/** A zone's outline; the one that is asked for has a full, thicker line. Its state is written, not coloured. */
function drawZone(context, view, zone, { asked, state }) {
  const corners = zone.corners.map(([x, y]) => view.screenPlace(x, y));
  context.setLineDash(asked ? [] : [5, 5]);
  edged(context, asked ? "#ffffff" : "#d4d9df", asked ? 2.4 : 1.1, (c) => {
    corners.forEach(({ x, y }, place) => (place ? c.lineTo(x, y) : c.moveTo(x, y)));
    c.closePath();
  });
  context.setLineDash([]);
  const middle = (name) => corners.reduce((sum, corner) => sum + corner[name], 0) / corners.length;
  const words = state ? `${zone.zone} ${STATE_GLYPHS[state]}` : zone.zone;
  drawWords(context, words, middle("x"), middle("y"), "#ffffff", { size: asked ? 15 : 12, align: "center" });
}

/** A shape that is proposed: dotted, with the places of its marks; it looks like nothing that is stored. */
function drawProposal(context, view, { outline, marks }) {
  const points = outline.map(([x, y]) => view.screenPlace(x, y));
  context.setLineDash([6, 4]);
  if (points.length > 1) edged(context, "#ffffff", 1.6, (c) => points.forEach(({ x, y }, place) => (place ? c.lineTo(x, y) : c.moveTo(x, y))));
  context.setLineDash([]);
  for (const [x, y] of marks) {
    const at = view.screenPlace(x, y);
    edged(context, "#ffffff", 1.4, (c) => {
      c.moveTo(at.x - 5, at.y - 5);
      c.lineTo(at.x + 5, at.y + 5);
      c.moveTo(at.x - 5, at.y + 5);
      c.lineTo(at.x + 5, at.y - 5);
    });
  }
}

function isInside(corners, { x, y }) {
  let inside = false;
  for (let here = 0, before = corners.length - 1; here < corners.length; before = here++) {
    const [x1, y1] = corners[here], [x2, y2] = corners[before];
    if (y1 > y !== y2 > y && x < ((x2 - x1) * (y - y1)) / (y2 - y1) + x1) inside = !inside;
  }
  return inside;
}

/** The place that Enter marks. */
function drawAim(context, at) {
  context.setLineDash([4, 3]);
  edged(context, "#ffffff", 1.3, (c) => {
    for (const [dx, dy] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) {
      c.moveTo(at.x + dx * 5, at.y + dy * 5);
      c.lineTo(at.x + dx * 26, at.y + dy * 26);
    }
  });
  context.setLineDash([]);
}

/** A bar of a round length; lengths are those of the detector, so the patient's are shorter. */
function drawScale(context, view, shape) {
  const x = 16, y = view.height - 18;
  if (!shape || !shape.column_mm) {
    drawWords(context, "no scale", x, y, "#ffffff");
    return;
  }
  const perMm = view.across / shape.column_mm;
  const rounds = [0.5, 1, 2, 5, 10, 20, 50, 100, 200];
  const length = rounds.filter((mm) => mm * perMm <= 160).pop() || rounds[0];
  edged(context, "#ffffff", 2.5, (c) => {
    c.moveTo(x, y);
    c.lineTo(x + length * perMm, y);
  });
  drawWords(context, `${length} mm`, x + length * perMm + 8, y, "#ffffff");
}
