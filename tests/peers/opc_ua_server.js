// An OPC UA server of another make (node-opcua, MIT), steered by lines of JSON on its standard input.
// argv: port, folder of its certificates. It prints {"ready": …} and answers each line by {"done": …}.
const readline = require("readline");
const path = require("path");
const { OPCUAServer, OPCUACertificateManager, DataType, StatusCodes, Variant, MessageSecurityMode, SecurityPolicy,
  standardUnits, UserTokenType } = require("node-opcua");

const [port, folder] = [Number(process.argv[2]), process.argv[3]];
const URI = "urn:example:device";
const state = { temperature: 20.03, humidity: 47.8, serial: "AG-0411", status: "Good", age_s: 0, late_ms: 0, taken_ms: 0 };
const say = (what) => process.stdout.write(JSON.stringify(what) + "\n");

async function main() {
  const manager = new OPCUACertificateManager({ automaticallyAcceptUnknownCertificate: false, rootFolder: folder });
  await manager.initialize();
  const server = new OPCUAServer({
    port, hostname: "127.0.0.1", resourcePath: "/room", serverCertificateManager: manager,
    securityModes: [MessageSecurityMode.None, MessageSecurityMode.Sign, MessageSecurityMode.SignAndEncrypt],
    securityPolicies: [SecurityPolicy.None, SecurityPolicy.Basic256Sha256],
    allowAnonymous: true, disableDiscovery: true,
    userManager: { isValidUser: (user, password) => user === "reader" && password === "pass word" },
  });
  await server.initialize();
  const space = server.engine.addressSpace;
  const other = space.registerNamespace("urn:example:other");
  other.addObject({ organizedBy: space.rootFolder.objects, browseName: "Other" });
  const own = space.registerNamespace(URI);
  const device = own.addObject({ organizedBy: space.rootFolder.objects, browseName: "Probe1" });
  const answer = (name, type, content) => ({
    timestamped_get: (callback) => setTimeout(() => {
      const now = new Date();
      const taken = state.taken_ms || now.getTime() - 1000 * (name === "temperature" ? state.age_s : 0);
      const value = { value: new Variant({ dataType: type, value: content() }),
        statusCode: name === "temperature" ? StatusCodes[state.status] : StatusCodes.Good,
        sourceTimestamp: new Date(taken), serverTimestamp: now };
      callback(null, value);
    }, state.late_ms),
  });
  const analog = (name, symbol, type, unit) => own.addAnalogDataItem({
    componentOf: device, browseName: symbol, nodeId: `s=Probe1.${symbol}`, dataType: DataType[type],
    engineeringUnitsRange: { low: -100, high: 200 }, engineeringUnits: unit, minimumSamplingInterval: 100,
    value: answer(name, DataType[type], () => state[name]),
  });
  const temperature = analog("temperature", "Temperature", "Float", standardUnits.degree_celsius);
  analog("humidity", "Humidity", "Double", standardUnits.percent);
  own.addVariable({ componentOf: device, browseName: "SerialNumber", nodeId: "s=Probe1.SerialNumber",
    dataType: DataType.String, minimumSamplingInterval: 100, value: answer("serial", DataType.String, () => state.serial) });
  own.addVariable({ componentOf: device, browseName: "Text", nodeId: "s=Probe1.Text", dataType: DataType.String,
    minimumSamplingInterval: 100, value: answer("text", DataType.String, () => "ERR") });
  for (let n = 0; n < 20; n++) {
    own.addVariable({ componentOf: device, browseName: `V${n}`, nodeId: `s=V${n}`, dataType: DataType.Double,
      minimumSamplingInterval: 100,
      value: { timestamped_get: (callback) => { const now = new Date(); callback(null, { value: new Variant({ dataType: DataType.Double, value: 20 + n / 100 }), statusCode: StatusCodes.Good, sourceTimestamp: now, serverTimestamp: now }); } } });
  }
  await server.start();
  say({ ready: server.getEndpointUrl(), certificate: Buffer.from(server.getCertificate()).toString("base64") });
  readline.createInterface({ input: process.stdin }).on("line", async (line) => {
    const order = JSON.parse(line);
    if (order.trust) await manager.trustCertificate(Buffer.from(order.trust, "base64"));
    if (order.unit) temperature.engineeringUnits.setValueFromSource(new Variant({ dataType: DataType.ExtensionObject, value: standardUnits[order.unit] }));
    Object.assign(state, order);
    say({ done: true });
  }).on("close", () => process.exit(0));
}
main().catch((error) => { say({ failed: String(error.stack) }); process.exit(1); });
