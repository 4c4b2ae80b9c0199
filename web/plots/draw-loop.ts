// One animation loop for all plots of a page: each draws in its own frames, so that no frame draws two.

/** Frames between two draws of one plot, at least: 20 draws a second on a 60 Hz screen. */
const framesBetweenMin = 3;

const drawers: (() => void)[] = [];
let frame = 0;
let running = false;

/** Draws with every third frame (or later, with more plots), while the page is visible. Returns how to stop. */
export function drawEachRound(draw: () => void): () => void {
  drawers.push(draw);
  if (!running) {
    running = true;
    requestAnimationFrame(step);
  }
  return () => {
    drawers.splice(drawers.indexOf(draw), 1);
  };
}

/** Frames are counted, since timers beat against the screen's rate. */
function step(): void {
  if (drawers.length === 0) {
    running = false;
    return;
  }
  frame++;
  const round = Math.max(framesBetweenMin, drawers.length);
  drawers[frame % round]?.();
  requestAnimationFrame(step);
}
