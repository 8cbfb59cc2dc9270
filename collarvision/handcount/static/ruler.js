// Ruler: the height between the soil and arch handles; the arithmetic of handcount/measuring.py.

export function heightMm(ruler, soil, arch) {
  if (!ruler || !soil || !arch) return null;
  const [foot, top] = [onBoard(ruler, soil), onBoard(ruler, arch)];
  const rise = (top[0] - foot[0]) * ruler.up[0] + (top[1] - foot[1]) * ruler.up[1];
  const height = ruler.scaling * rise;
  return Number.isFinite(height) && height > 0 ? height : null;
}

function onBoard(ruler, point) {
  const h = ruler.board_from_px;
  const w = h[6] * point.x + h[7] * point.y + h[8];
  return [
    (h[0] * point.x + h[1] * point.y + h[2]) / w,
    (h[3] * point.x + h[4] * point.y + h[5]) / w,
  ];
}

export function inWords(mm) {
  return `${(mm / 25.4).toFixed(1)} in (${(mm / 10).toFixed(0)} cm)`;
}
