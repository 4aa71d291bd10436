// Holds lists of parts (SBOM) against the JSON schema of CycloneDX 1.6: node validate.js FILE... A copy with a component of a kind that
// there is not must be refused, or the schema was not heeded.
const Ajv = require("ajv"), fs = require("fs"), path = require("path");
const dir = path.join(path.dirname(require.resolve("@cyclonedx/cyclonedx-library/package.json")), "res/schema");
const read = name => JSON.parse(fs.readFileSync(path.join(dir, name + ".SNAPSHOT.schema.json")));
const ajv = new Ajv({strict: false, allErrors: true});
require("ajv-formats")(ajv);
require("ajv-formats-draft2019")(ajv);
for (const name of ["spdx", "jsf-0.82"]) ajv.addSchema(read(name), "http://cyclonedx.org/schema/" + name + ".SNAPSHOT.schema.json");
const judge = ajv.compile(read("bom-1.6"));
for (const file of process.argv.slice(2)) {
  const bom = JSON.parse(fs.readFileSync(file));
  const wrong = structuredClone(bom);
  wrong.components[0].type = "thing";
  if (judge(wrong)) throw new Error("the schema takes a component of the kind thing");
  if (!judge(bom)) {
    console.error(file, judge.errors.slice(0, 5));
    process.exitCode = 1;
    continue;
  }
  const unknown = bom.components.filter(c => !c.evidence).map(c => c.name);
  console.log(`${path.basename(file)}: valid, ${bom.components.length} modules; licence not recognised: ${unknown.join(", ") || "none"}`);
}
