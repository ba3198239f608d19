// The picture of one bone on a canvas: fetched, brightened, and shown under a view that can be moved, turned and enlarged.
// A view turns scan pixels into pixels of the screen; everything that is drawn upon the bone goes through it.

const DARKEST = 0.01;
const BRIGHTEST = 0.99; // shares of the pixels along the axis that become black and white
const LEAST_RANGE = 40; // grey levels: a flat bone is not stretched until it is all grain
const BAND = 0.12; // of the axis' length on both sides: where the bone's own grey is looked up
const EVENED_OVER = 0.05; // of the axis' length: shades wider than this are evened out
const EVENED_CONTRAST = 46; // grey levels a standard deviation
const EVENED_FLOOR = 5; // grey levels: below this spread there is only grain, which is left quiet
const MOST_ZOOM = 12;
const AROUND_PX = 26; // screen pixels about the whole bone, for tags at its margin

// The grey of a picture that the server sent, and where on the scan it lies: its first pixel and its pixels a scan pixel.
export async function decoded({ blob, headers }) {
  const number = (name) => Number(headers.get(name));
  const bitmap = await createImageBitmap(blob);
  const { width, height } = bitmap;
  const pad = document.createElement("canvas");
  [pad.width, pad.height] = [width, height];
  const context = pad.getContext("2d", { willReadFrequently: true });
  context.drawImage(bitmap, 0, 0);
  bitmap.close();
  const pixels = context.getImageData(0, 0, width, height).data;
  const grey = new Uint8Array(width * height);
  for (let i = 0; i < grey.length; i += 1) grey[i] = pixels[4 * i];
  return { grey, width, height, left: number("x-left"), top: number("x-top"), scale: number("x-scale") };
}

export class Picture {
  constructor(canvas) {
    this.canvas = canvas;
    this.shade = document.createElement("canvas");
    this.tone = { brightness: 0, contrast: 0, invert: false, even: false };
    this.view = { x: 0, y: 0, zoom: 1, angle: 0 };
    this.grey = null;
    this.place = null;
  }

  // ------------------------------------------------------------------------------------------------ pixels
  // Show pixels, as `decoded` gives them, of a bone with this axis.
  use(pixels, axis) {
    this.grey = pixels.grey;
    this.place = pixels;
    this.axis = axis;
    this.evened = null;
    [this.shade.width, this.shade.height] = [pixels.width, pixels.height];
    this.levels = this.findLevels();
    this.backing = this.findBacking();
    this.retone();
  }

  empty() {
    this.grey = null;
    this.draw();
  }

  // Picture pixel of a scan pixel.
  pixel([x, y]) {
    const { left, top, scale } = this.place;
    return [(x - left + 0.5) * scale - 0.5, (y - top + 0.5) * scale - 0.5];
  }

  findLevels() {
    const tally = new Uint32Array(256);
    const { width, height } = this.place;
    const reach = BAND * this.axis.length;
    let all = 0;
    for (let along = 0; along < 1; along += 1 / 400) {
      for (let aside = -1; aside <= 1; aside += 1 / 20) {
        const [x, y] = this.pixel(this.axis.point(along * this.axis.length, aside * reach)).map(Math.round);
        if (x >= 0 && y >= 0 && x < width && y < height) {
          tally[this.grey[y * width + x]] += 1;
          all += 1;
        }
      }
    }
    const level = (share) => {
      let below = 0;
      for (let value = 0; value < 256; value += 1) {
        below += tally[value];
        if (below >= share * all) return value;
      }
      return 255;
    };
    let [low, high] = all ? [level(DARKEST), level(BRIGHTEST)] : [0, 255];
    if (high - low < LEAST_RANGE) {
      const middle = (low + high) / 2;
      [low, high] = [middle - LEAST_RANGE / 2, middle + LEAST_RANGE / 2];
    }
    return [low, high];
  }

  // The grey of most pixels at the edge: it goes on around the picture.
  findBacking() {
    const { width, height } = this.place;
    const edge = [];
    for (let x = 0; x < width; x += 1) edge.push(this.grey[x], this.grey[(height - 1) * width + x]);
    for (let y = 0; y < height; y += 1) edge.push(this.grey[y * width], this.grey[y * width + width - 1]);
    return edge.sort((a, b) => a - b)[edge.length >> 1];
  }

  // The picture with brightness, contrast and evening, on a canvas of its own.
  retone() {
    if (!this.grey) return;
    const { brightness, contrast, invert, even, plain } = this.tone;
    if (even && !this.evened) this.evened = evenedOut(this.place, Math.max(2, EVENED_OVER * this.axis.length * this.place.scale));
    const source = even ? this.evened : this.grey;
    const [low, high] = even || plain ? [0, 255] : this.levels;
    const gain = 2 ** (contrast / 50);
    const table = new Uint32Array(256);
    for (let value = 0; value < 256; value += 1) {
      let shown = ((value - low) / (high - low) - 0.5) * gain + 0.5 + brightness / 150;
      if (invert) shown = 1 - shown;
      const level = Math.round(255 * Math.min(Math.max(shown, 0), 1));
      table[value] = (255 << 24) | (level << 16) | (level << 8) | level;
    }
    const context = this.shade.getContext("2d");
    const image = context.createImageData(this.place.width, this.place.height);
    const out = new Uint32Array(image.data.buffer);
    for (let i = 0; i < out.length; i += 1) out[i] = table[source[i]];
    context.putImageData(image, 0, 0);
    const level = table[this.backing] & 255;
    this.canvas.style.background = `rgb(${level} ${level} ${level})`;
    this.draw();
  }

  // ------------------------------------------------------------------------------------------------ view
  get size() {
    return [this.canvas.clientWidth, this.canvas.clientHeight];
  }

  toScreen([x, y]) {
    const { view, size } = this;
    const [cos, sin] = [Math.cos(view.angle) * view.zoom, Math.sin(view.angle) * view.zoom];
    const [dx, dy] = [x - view.x, y - view.y];
    return [size[0] / 2 + dx * cos - dy * sin, size[1] / 2 + dx * sin + dy * cos];
  }

  toScan([x, y]) {
    const { view, size } = this;
    const [dx, dy] = [x - size[0] / 2, y - size[1] / 2];
    const [cos, sin] = [Math.cos(view.angle) / view.zoom, Math.sin(view.angle) / view.zoom];
    return [view.x + dx * cos + dy * sin, view.y - dx * sin + dy * cos];
  }

  // These scan pixels in the middle, as large as there is room.
  hold(points) {
    const [cos, sin] = [Math.cos(this.view.angle), Math.sin(this.view.angle)];
    const turned = points.map(([x, y]) => [x * cos - y * sin, x * sin + y * cos]);
    const [low, high] = [Math.min, Math.max].map((most) => [0, 1].map((i) => most(...turned.map((point) => point[i]))));
    const room = this.size.map((side) => Math.max(side - 2 * AROUND_PX, 10));
    this.view.zoom = Math.min(room[0] / (high[0] - low[0] || 1), room[1] / (high[1] - low[1] || 1), MOST_ZOOM);
    const [u, v] = [(low[0] + high[0]) / 2, (low[1] + high[1]) / 2];
    [this.view.x, this.view.y] = [u * cos + v * sin, v * cos - u * sin];
    this.draw();
  }

  // A scan pixel in the middle, a length of scan pixels across the width.
  goTo(point, across) {
    this.view.zoom = Math.min(this.size[0] / across, MOST_ZOOM);
    [this.view.x, this.view.y] = point;
    this.draw();
  }

  // Nearer or farther, with a point of the screen staying where it is.
  zoomAt([x, y], factor) {
    const before = this.toScan([x, y]);
    this.view.zoom = Math.min(Math.max(this.view.zoom * factor, 0.02), MOST_ZOOM);
    const after = this.toScan([x, y]);
    this.view.x += before[0] - after[0];
    this.view.y += before[1] - after[1];
    this.draw();
  }

  move(dx, dy) {
    const [a, b] = [this.toScan([0, 0]), this.toScan([dx, dy])];
    this.view.x -= b[0] - a[0];
    this.view.y -= b[1] - a[1];
    this.draw();
  }

  // Turn about the middle of the screen.
  turn(angle) {
    this.view.angle = angle;
    this.draw();
  }

  draw() {
    const { canvas, view, size } = this;
    const fine = window.devicePixelRatio || 1;
    const [width, height] = size.map((side) => Math.round(side * fine));
    if (canvas.width !== width || canvas.height !== height) [canvas.width, canvas.height] = [width, height];
    const context = canvas.getContext("2d");
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, width, height);
    if (this.grey) {
      const { left, top, scale } = this.place;
      const step = (view.zoom / scale) * fine;
      const [cos, sin] = [Math.cos(view.angle) * step, Math.sin(view.angle) * step];
      // Picture pixel 0 has its middle half a pixel inside the corner.
      const [x, y] = this.toScreen([left - 0.5, top - 0.5]).map((v) => v * fine);
      context.setTransform(cos, sin, -sin, cos, x, y);
      context.imageSmoothingEnabled = true;
      context.imageSmoothingQuality = step < 1 ? "high" : "medium";
      context.drawImage(this.shade, 0, 0);
    }
    this.drawn?.();
  }
}

// Grey levels with wide shades taken out and contrast made alike: less the mean about each pixel, over the spread there.
function evenedOut({ grey, width, height }, reach) {
  const values = Float32Array.from(grey);
  const mean = blurred(values, width, height, reach);
  const squares = new Float32Array(values.length);
  for (let i = 0; i < values.length; i += 1) squares[i] = (values[i] - mean[i]) ** 2;
  const spread = blurred(squares, width, height, reach);
  const out = new Uint8Array(values.length);
  for (let i = 0; i < values.length; i += 1) {
    const level = 128 + (EVENED_CONTRAST * (values[i] - mean[i])) / (Math.sqrt(spread[i]) + EVENED_FLOOR);
    out[i] = Math.min(Math.max(level, 0), 255);
  }
  return out;
}

// The mean over a square of `reach` pixels to each side, by running sums along rows and then columns.
function blurred(values, width, height, reach) {
  const half = Math.round(reach);
  const rows = new Float32Array(values.length);
  for (let y = 0; y < height; y += 1) running(values, rows, y * width, 1, width, half);
  const out = new Float32Array(values.length);
  for (let x = 0; x < width; x += 1) running(rows, out, x, width, height, half);
  return out;
}

function running(source, out, start, step, length, half) {
  let sum = 0;
  let count = 0;
  for (let i = 0; i < Math.min(half, length); i += 1) {
    sum += source[start + i * step];
    count += 1;
  }
  for (let i = 0; i < length; i += 1) {
    if (i + half < length) {
      sum += source[start + (i + half) * step];
      count += 1;
    }
    if (i - half - 1 >= 0) {
      sum -= source[start + (i - half - 1) * step];
      count -= 1;
    }
    out[start + i * step] = sum / count;
  }
}
