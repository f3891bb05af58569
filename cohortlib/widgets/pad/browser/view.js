// Where the film lies on the screen. Film places count from the middle of the first pixel, as marks do.

class View {
  constructor() {
    Object.assign(this, { left: 0, top: 0, across: 1, aspect: 1, width: 1, height: 1, columns: 1, rows: 1 });
  }

  get down() { return this.across * this.aspect; }

  /** The whole film, in the middle. */
  fit() {
    this.across = Math.min(this.width / this.columns, this.height / (this.rows * this.aspect));
    this.left = (this.width - this.columns * this.across) / 2;
    this.top = (this.height - this.rows * this.down) / 2;
    this.fitted = true;
  }

  resize(width, height) {
    if (width === this.width && height === this.height) return;
    const middle = this.filmPlace(this.width / 2, this.height / 2);
    Object.assign(this, { width, height });
    if (this.fitted) this.fit();
    else this.centre(middle.x, middle.y);
  }

  screenPlace(x, y) { return { x: this.left + (x + 0.5) * this.across, y: this.top + (y + 0.5) * this.down }; }

  filmPlace(x, y) { return { x: (x - this.left) / this.across - 0.5, y: (y - this.top) / this.down - 0.5 }; }

  isOnFilm({ x, y }) { return x >= -0.5 && y >= -0.5 && x <= this.columns - 0.5 && y <= this.rows - 0.5; }

  pan(x, y) {
    this.left += x;
    this.top += y;
    this.fitted = false;
    this.keepInSight();
  }

  /** Larger or smaller; the place (x, y) of the screen keeps what it shows. */
  zoom(x, y, factor) {
    const whole = Math.min(this.width / this.columns, this.height / (this.rows * this.aspect));
    const across = Math.min(24, Math.max(whole * 0.8, this.across * factor));
    this.left = x - ((x - this.left) * across) / this.across;
    this.top = y - ((y - this.top) * across) / this.across;
    this.across = across;
    this.fitted = false;
    this.keepInSight();
  }

  centre(x, y) {
    this.left = this.width / 2 - (x + 0.5) * this.across;
    this.top = this.height / 2 - (y + 0.5) * this.down;
    this.keepInSight();
  }

  /** Bring a film place into sight, with a border round it. */
  reach(x, y) {
    const at = this.screenPlace(x, y), border = 40;
    const need = (value, length) => Math.max(0, border - value) - Math.max(0, value - (length - border));
    const moveX = need(at.x, this.width), moveY = need(at.y, this.height);
    if (moveX || moveY) this.pan(moveX, moveY);
  }

  keepInSight() {
    const margin = 60;
    this.left = Math.min(this.width - margin, Math.max(margin - this.columns * this.across, this.left));
    this.top = Math.min(this.height - margin, Math.max(margin - this.rows * this.down, this.top));
  }

  /** The part of the film in sight, as edges. */
  box() {
    return [-this.left / this.across, -this.top / this.down,
      (this.width - this.left) / this.across, (this.height - this.top) / this.down];
  }
}
