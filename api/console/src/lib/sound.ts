let context: AudioContext | undefined;

/** unlock makes sound possible; a browser wants it to come of a tap or a key. */
export function unlock(): void {
  context ??= new AudioContext();
  void context.resume();
}

/** tone plays one short tone, if sound was unlocked. hertz and ms say which and how long. */
export function tone(hertz: number, ms: number, volume = 0.15): void {
  if (!context || context.state !== "running") return;
  const from = context.currentTime;
  const until = from + ms / 1000;
  const source = context.createOscillator();
  const level = context.createGain();
  source.frequency.value = hertz;
  level.gain.setValueAtTime(0, from);
  level.gain.linearRampToValueAtTime(volume, from + 0.005);
  level.gain.setTargetAtTime(0, Math.max(from + 0.01, until - 0.03), 0.01);
  source.connect(level).connect(context.destination);
  source.start(from);
  source.stop(until + 0.05);
}
