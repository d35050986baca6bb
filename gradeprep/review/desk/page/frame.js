// A loop that runs one job at a time and, when more was asked meanwhile, once more with the latest.

/** Wraps an async job so that calls never overlap and none but the last is waited for. */
export function latest(job) {
  let busy = null;
  let again = false;
  return function ask() {
    again = true;
    busy ??= (async () => {
      try {
        while (again) {
          again = false;
          await job();
        }
      } finally {
        busy = null;
      }
    })();
    return busy;
  };
}

/** Calls a job when nobody has asked for it again for a while. */
export function settled(job, ms = 150) {
  let timer = 0;
  return () => {
    clearTimeout(timer);
    timer = setTimeout(job, ms);
  };
}
