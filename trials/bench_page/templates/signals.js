// Sound, vibration and a screen that stays on: each used where the phone has it, none needed.

function makeSignals() {
  let audio = null;
  let lock = null;
  let touched = false;
  let wanted = false;

  // Browsers let a page sound and shake only after a tap.
  function unlock() {
    touched = true;
    const Audio = window.AudioContext || window.webkitAudioContext;
    try {
      if (!audio && Audio) audio = new Audio();
      if (audio && audio.state === "suspended") Promise.resolve(audio.resume()).catch(() => {});
    } catch (error) {
      audio = null;
    }
  }

  function tone(delay, lasts, pitch) {
    const source = audio.createOscillator();
    const level = audio.createGain();
    const from = audio.currentTime + delay;
    source.type = "square";
    source.frequency.value = pitch;
    level.gain.setValueAtTime(0.4, from);
    level.gain.setValueAtTime(0, from + lasts);
    source.connect(level);
    level.connect(audio.destination);
    source.start(from);
    source.stop(from + lasts + 0.05);
  }

  function play(tones, shakes) {
    if (!touched) return;
    try {
      if (audio) tones.forEach(([delay, lasts, pitch]) => tone(delay, lasts, pitch));
    } catch (error) {
      audio = null;
    }
    if (navigator.vibrate) navigator.vibrate(shakes);
  }

  function keepAwake(on) {
    wanted = on;
    if (!on && lock) {
      Promise.resolve(lock.release()).catch(() => {});
      lock = null;
    }
    if (!on || lock || !navigator.wakeLock || document.visibilityState !== "visible") return;
    navigator.wakeLock.request("screen").then((held) => {
      if (!wanted || lock) {
        held.release();
        return;
      }
      lock = held;
      held.addEventListener("release", () => {
        lock = null;
      });
    }, () => {});
  }

  document.addEventListener("pointerdown", unlock, true);
  document.addEventListener("keydown", unlock, true);
  document.addEventListener("click", unlock, true);
  document.addEventListener("visibilitychange", () => keepAwake(wanted));
  return {
    soon: () => play([[0, 0.12, 660]], [120]),
    end: () => play([[0, 0.25, 880], [0.4, 0.25, 880], [0.8, 0.6, 1175]], [400, 150, 400, 150, 800]),
    keepAwake,
  };
}
