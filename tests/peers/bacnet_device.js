// A BACnet/IP device of another make (@bacnet-js/client, MIT), steered by lines of JSON on its standard input.
// argv: address, port. It prints {"ready": …} and answers each line by {"done": …}.
const readline = require("readline");
const bacnet = require("@bacnet-js/client");
const Client = bacnet.default;

const [address, port] = [process.argv[2], Number(process.argv[3])];
const TAG = { DOUBLE: 5, REAL: 4, TEXT: 7, BITS: 8, ENUMERATED: 9, OBJECT: 12 };
const state = { device: 4194, serial: "AG-0411", values: [20.03, 47.8], units: [62, 29], flags: [0, 0], reliability: [0, 0],
  multiple: true, most: 1000, late_ms: 0, silent: false, garbage: false,
  strict: false, any: true };
const say = (what) => process.stdout.write(JSON.stringify(what) + "\n");
const client = new Client({ port, interface: address, broadcastAddress: "127.255.255.255", reuseAddr: false });

const error = (errorClass, errorCode) => [{ value: { type: "BacnetError", errorClass, errorCode } }];
const NO_OBJECT = () => error(1, 31), NO_PROPERTY = () => error(2, 32);

function property(object, id) {
  if (object.type === 8) {
    if (object.instance !== state.device && !(object.instance === 4194303 && state.any)) return NO_OBJECT();
    if (id === 75) return [{ type: TAG.OBJECT, value: { type: 8, instance: state.device } }];
    if (id === 77) return [{ type: TAG.TEXT, value: "ROOM" }];
    if (id === 372) return [{ type: TAG.TEXT, value: state.serial }];
    if (id === 76) return [{ type: TAG.OBJECT, value: { type: 8, instance: state.device } },
      ...state.values.map((_, n) => ({ type: TAG.OBJECT, value: { type: 0, instance: n + 1 } }))];
    return NO_PROPERTY();
  }
  const n = object.instance - 1;
  if (object.type !== 0 || n < 0 || n >= state.values.length) return NO_OBJECT();
  const at = (list, otherwise) => (n < list.length ? list[n] : otherwise);
  const value = state.values[n] === "NaN" ? NaN : state.values[n];
  if (id === 85) return [{ type: typeof value === "string" ? TAG.TEXT : TAG.REAL, value }];
  if (id === 111) return [{ type: TAG.BITS, value: { bitsUsed: 4, value: [at(state.flags, 0)] } }];
  if (id === 103) return [{ type: TAG.ENUMERATED, value: at(state.reliability, 0) }];
  if (id === 117) return [{ type: TAG.ENUMERATED, value: at(state.units, 62) }];
  if (id === 77) return [{ type: TAG.TEXT, value: `Input ${object.instance}` }];
  return NO_PROPERTY();
}

const later = (act) => { if (state.silent) return; if (state.late_ms) setTimeout(act, state.late_ms); else act(); };
client.on("readPropertyMultiple", (data) => later(() => {
  const { invokeId, header, payload } = data;
  if (state.garbage) return client._transport.send(Buffer.from("810a0009ffffffff00", "hex"), 9, header.sender.address);
  if (!state.multiple) return client.errorResponse(header.sender, 14, invokeId, 5, 29);
  if (payload.properties.length > state.most) // an abort: segmentation-not-supported
    return client._transport.send(Buffer.from([0x81, 0x0a, 0, 9, 1, 0, 0x71, invokeId, 4]), 9, header.sender.address);
  const results = payload.properties.map((asked) => ({
    objectId: asked.objectId,
    values: asked.properties.map((p) => ({ property: { id: p.id, index: p.index }, value: property(asked.objectId, p.id) })),
  }));
  const bad = results.flatMap((r) => r.values).map((v) => v.value[0].value).find((v) => v && v.type === "BacnetError");
  if (state.strict && bad) return client.errorResponse(header.sender, 14, invokeId, bad.errorClass, bad.errorCode);
  client.readPropertyMultipleResponse(header.sender, invokeId, results);
}));
client.on("readProperty", (data) => later(() => {
  const { invokeId, header, payload } = data;
  const found = property(payload.objectId, payload.property.id);
  const bad = found[0].value;
  if (bad && bad.type === "BacnetError") return client.errorResponse(header.sender, 12, invokeId, bad.errorClass, bad.errorCode);
  client.readPropertyResponse(header.sender, invokeId, payload.objectId, payload.property, found);
}));
client.on("error", (problem) => say({ failed: String(problem) }));
client.on("listening", () => say({ ready: `${address}:${port}` }));
readline.createInterface({ input: process.stdin })
  .on("line", (line) => { Object.assign(state, JSON.parse(line)); say({ done: true }); })
  .on("close", () => process.exit(0));
