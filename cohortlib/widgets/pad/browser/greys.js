// Grey values. The film stays as 16-bit numbers; what is seen of it goes through a lookup table onto a canvas.

const GREYS = 65536;

/** Half as many columns and rows, each pixel the mean of four; an odd last row or column counts twice. */
function halved({ data, columns, rows }) {
  const wide = Math.ceil(columns / 2), high = Math.ceil(rows / 2);
  const half = new Uint16Array(wide * high);
  for (let row = 0, to = 0; row < high; row++) {
    const upper = 2 * row * columns;
    const lower = 2 * row + 1 < rows ? upper + columns : upper;
    for (let column = 0; column < wide; column++) {
      const left = 2 * column, right = left + 1 < columns ? left + 1 : left;
      half[to++] = (data[upper + left] + data[upper + right] + data[lower + left] + data[lower + right] + 2) >> 2;
    }
  }
  return { data: half, columns: wide, rows: high };
}

/** A film in sizes: level 0 as it is, each further level half as large, made when first looked at. */
class Film {
  constructor(data, { columns, rows, darkest, lightest }) {
    this.levels = [{ data, columns, rows }];
    this.columns = columns;
    this.rows = rows;
    this.darkest = darkest;
    this.lightest = lightest;
  }

  level(number) {
    let last = this.levels[this.levels.length - 1];
    while (this.levels.length <= number && Math.min(last.columns, last.rows) > 64) {
      last = halved(last);
      this.levels.push(last);
    }
    const found = Math.min(number, this.levels.length - 1);
    return { ...this.levels[found], factor: 2 ** found };
  }
}

/** Which greys are black and white: brightness and contrast, -100 to 100, move the range the film begins with. */
function greyTable(film, { brightness, contrast, inverted }) {
  const first = film.lightest - film.darkest;
  const width = Math.max(first * 2 ** (-contrast / 25), 4);
  const middle = (film.darkest + film.lightest) / 2 - (brightness / 100) * first;
  const table = new Uint32Array(GREYS);
  for (let value = 0; value < GREYS; value++) {
    let grey = Math.round(255 * Math.min(1, Math.max(0, (value - middle) / width + 0.5)));
    if (inverted) grey = 255 - grey;
    table[value] = 0xff000000 | (grey << 16) | (grey << 8) | grey;
  }
  return table;
}

/** A piece of the film as a picture. It is made again only when the view leaves it or the greys change. */
class Patch {
  constructor() {
    this.canvas = document.createElement("canvas");
    this.context = this.canvas.getContext("2d", { alpha: false });
    this.table = null;
  }

  /** Make sure that the box (film edges: left, top, right, bottom) is there at a level; how much more is `spare`. */
  cover(film, number, box, table, spare) {
    const level = film.level(number);
    const { factor, columns, rows } = level;
    const need = [
      Math.max(0, Math.floor(box[0] / factor)), Math.max(0, Math.floor(box[1] / factor)),
      Math.min(columns, Math.ceil(box[2] / factor)), Math.min(rows, Math.ceil(box[3] / factor)),
    ];
    if (need[2] <= need[0] || need[3] <= need[1]) return false;
    const same = this.film === film && this.table === table && this.factor === factor;
    if (same && need.every((edge, place) => (place < 2 ? edge >= this.have[place] : edge <= this.have[place]))) return true;
    const x = Math.ceil((need[2] - need[0]) * spare), y = Math.ceil((need[3] - need[1]) * spare);
    const have = [
      Math.max(0, need[0] - x), Math.max(0, need[1] - y), Math.min(columns, need[2] + x), Math.min(rows, need[3] + y),
    ];
    this.fill(level, have, table);
    Object.assign(this, { film, table, factor, have });
    return true;
  }

  fill({ data, columns }, [left, top, right, bottom], table) {
    const wide = right - left, high = bottom - top;
    if (this.canvas.width < wide || this.canvas.height < high) {
      this.canvas.width = Math.max(this.canvas.width, wide);
      this.canvas.height = Math.max(this.canvas.height, high);
    }
    if (!this.image || this.image.width !== wide || this.image.height !== high) this.image = new ImageData(wide, high);
    const colours = new Uint32Array(this.image.data.buffer);
    for (let row = top, to = 0; row < bottom; row++) {
      for (let from = row * columns + left, end = from + wide; from < end; from++) colours[to++] = table[data[from]];
    }
    this.context.putImageData(this.image, 0, 0);
  }

  /** Draw the piece where the film lies: film edge (x, y) at (left + x * across, top + y * down) of the context. */
  draw(context, { left, top, across, down }, smooth) {
    const [x0, y0, x1, y1] = this.have, { factor } = this;
    context.imageSmoothingEnabled = smooth;
    context.imageSmoothingQuality = "low"; // the levels have done the averaging
    // The last pixel of a level may reach beyond the film; it is cut off with the box.
    context.drawImage(
      this.canvas, 0, 0, x1 - x0, y1 - y0,
      left + x0 * factor * across, top + y0 * factor * down, (x1 - x0) * factor * across, (y1 - y0) * factor * down,
    );
  }
}
