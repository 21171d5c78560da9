// Plate coordinates (x right, y up, from the lower left corner) and picture coordinates.

// Return the 3 x 3 projective map that takes four points to four others, as nine numbers.
export function homography(from, to) {
  const rows = [];
  from.forEach(([x, y], i) => {
    const [u, v] = to[i];
    rows.push([x, y, 1, 0, 0, 0, -u * x, -u * y, u]);
    rows.push([0, 0, 0, x, y, 1, -v * x, -v * y, v]);
  });
  return [...solve(rows), 1];
}

// Gauss's elimination with pivots; each row ends with its right-hand side.
function solve(rows) {
  const n = rows.length;
  for (let i = 0; i < n; i += 1) {
    let best = i;
    for (let j = i + 1; j < n; j += 1) {
      if (Math.abs(rows[j][i]) > Math.abs(rows[best][i])) best = j;
    }
    [rows[i], rows[best]] = [rows[best], rows[i]];
    for (let j = 0; j < n; j += 1) {
      if (j === i) continue;
      const factor = rows[j][i] / rows[i][i];
      for (let k = i; k <= n; k += 1) rows[j][k] -= factor * rows[i][k];
    }
  }
  return rows.map((row, i) => row[n] / row[i]);
}

export function project(h, [x, y]) {
  const w = h[6] * x + h[7] * y + h[8];
  return [(h[0] * x + h[1] * y + h[2]) / w, (h[3] * x + h[4] * y + h[5]) / w];
}

const box = ({ width, height }) => [[0, 0], [width, 0], [width, height], [0, height]];

// The two maps of a layout between the plate and what is shown of it.
export function views(layout, squared) {
  if (squared) {
    const flip = ([x, y]) => [x, layout.height - y];
    return { toView: flip, toPlate: flip };
  }
  const there = homography(box(layout), layout.corners_px);
  const back = homography(layout.corners_px, box(layout));
  return { toView: (p) => project(there, p), toPlate: (p) => project(back, p) };
}

// Height at x of the parabola through three heights at the left edge, middle and right edge.
export function heightAt(heights, width, x) {
  const [left, middle, right] = heights;
  const t = x / width;
  return left + (4 * middle - 3 * left - right) * t + 2 * (left - 2 * middle + right) * t * t;
}

export const clamp = (value, low, high) => Math.min(high, Math.max(low, value));
