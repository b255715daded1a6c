// The data of the page: one JSON table, whose arrays are deflated and in base64.
const DATA = JSON.parse(document.getElementById("data").textContent);
const ARRAYS = { uint8: Uint8Array, uint16: Uint16Array, int8: Int8Array, int16: Int16Array, float32: Float32Array };

// An array as `packing.py` packed it: {shape, values}, values in C order.
async function unpacked(packed) {
  const octets = Uint8Array.from(atob(packed.deflated), (character) => character.charCodeAt(0));
  const stream = new Blob([octets]).stream().pipeThrough(new DecompressionStream("deflate"));
  const buffer = await new Response(stream).arrayBuffer();
  return { shape: packed.shape, values: new ARRAYS[packed.dtype](buffer) };
}

// Whole numbers as `packed_indices` packed them: differences in four planes of bytes.
async function unpackedIndices(packed) {
  const { shape: [, n], values } = await unpacked(packed);
  const numbers = new Uint32Array(n);
  let last = 0;
  for (let k = 0; k < n; k++) {
    const word = values[k] | (values[n + k] << 8) | (values[2 * n + k] << 16) | (values[3 * n + k] << 24);
    last += (word >>> 1) ^ -(word & 1);
    numbers[k] = last;
  }
  return numbers;
}
