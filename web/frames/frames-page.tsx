// All frames: every id seen.
export function FramesPage() {
  return null;
}
