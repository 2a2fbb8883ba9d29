// SHA-256 (FIPS 180-4), fed piece by piece: the browser's own wants the whole file in memory, and a page without TLS has
// none at all. Its constants are what the standard says they are: the first 32 bits of the fractional parts of the square
// roots of the first 8 primes, and of the cube roots of the first 64.
const primes = [];
for (let number = 2; primes.length < 64; number += 1) {
  if (primes.every((prime) => number % prime)) primes.push(number);
}
const fraction = (root) => ((root % 1) * 2 ** 32) >>> 0;
const ROUNDS = Uint32Array.from(primes, (prime) => fraction(Math.cbrt(prime)));
const START = Uint32Array.from(primes.slice(0, 8), (prime) => fraction(Math.sqrt(prime)));
const BLOCK_BYTES = 64;

export class Sha256 {
  #state = START.slice();
  #rest = new Uint8Array(0);
  #size = 0;
  #words = new Uint32Array(BLOCK_BYTES);

  update(bytes) {
    this.#size += bytes.length;
    const whole = new Uint8Array(this.#rest.length + bytes.length);
    whole.set(this.#rest);
    whole.set(bytes, this.#rest.length);
    const view = new DataView(whole.buffer);
    let at = 0;
    for (; at + BLOCK_BYTES <= whole.length; at += BLOCK_BYTES) this.#mix(view, at);
    this.#rest = whole.slice(at);
  }

  // Ends the message with one bit, zeros, and its length in bits.
  digest() {
    const bits = this.#size * 8;
    const padding = new Uint8Array(BLOCK_BYTES * (this.#rest.length < 56 ? 1 : 2) - this.#rest.length);
    padding[0] = 0x80;
    const view = new DataView(padding.buffer);
    view.setUint32(padding.length - 8, Math.floor(bits / 2 ** 32));
    view.setUint32(padding.length - 4, bits % 2 ** 32);
    this.update(padding);
    const out = new DataView(new ArrayBuffer(32));
    this.#state.forEach((word, index) => out.setUint32(index * 4, word));
    return new Uint8Array(out.buffer);
  }

  #mix(view, at) {
    const w = this.#words;
    const turn = (x, n) => (x >>> n) | (x << (32 - n));
    for (let t = 0; t < 16; t += 1) w[t] = view.getUint32(at + t * 4);
    for (let t = 16; t < 64; t += 1) {
      const s0 = turn(w[t - 15], 7) ^ turn(w[t - 15], 18) ^ (w[t - 15] >>> 3);
      const s1 = turn(w[t - 2], 17) ^ turn(w[t - 2], 19) ^ (w[t - 2] >>> 10);
      w[t] = (w[t - 16] + s0 + w[t - 7] + s1) | 0;
    }
    let [a, b, c, d, e, f, g, h] = this.#state;
    for (let t = 0; t < 64; t += 1) {
      const one = (h + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & f) ^ (~e & g)) + ROUNDS[t] + w[t]) | 0;
      const two = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) + ((a & b) ^ (a & c) ^ (b & c))) | 0;
      [h, g, f, e, d, c, b, a] = [g, f, e, (d + one) | 0, c, b, a, (one + two) | 0];
    }
    [a, b, c, d, e, f, g, h].forEach((word, index) => (this.#state[index] += word));
  }
}
