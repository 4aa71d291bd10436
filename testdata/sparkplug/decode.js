// Reads messages, one JSON object with topic and hex a line, and writes what an independent reader of Sparkplug B makes of each.
const sparkplug = require("sparkplug-payload").get("spBv1.0");
const lines = require("fs").readFileSync(0, "utf8").trim().split("\n");
for (const line of lines) {
  const message = JSON.parse(line);
  const payload = sparkplug.decodePayload(Buffer.from(message.hex, "hex"));
  console.log(JSON.stringify({ ...message, payload }, (_, v) => (v && v.low !== undefined && v.toNumber ? v.toNumber() : v)));
}
