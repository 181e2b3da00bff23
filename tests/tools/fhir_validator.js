// Validates Bundles against the R4 core definitions by the npm package `fhir` (FHIR.js, ISC):
//     npm install fhir@4.12.0 && node tests/tools/fhir_validator.js BUNDLE.json ...
// Prints what it finds wrong and ends with 1, or says that nothing is.
const fs = require("fs");
const { Fhir } = require(require.resolve("fhir", { paths: [process.cwd(), __dirname] }));
const fhir = new Fhir();
let wrong = 0;
for (const name of process.argv.slice(2)) {
  const bundle = JSON.parse(fs.readFileSync(name, "utf8"));
  const each = [bundle, ...(bundle.entry || []).map((entry) => entry.resource)];
  for (const resource of each) {
    const found = fhir.validate(resource, { errorOnUnexpected: true });
    for (const message of found.messages || []) {
      if (message.severity === "error" || message.severity === "fatal") {
        wrong += 1;
        console.log(`${name}: ${resource.resourceType}: ${message.location}: ${message.message}`);
      }
    }
  }
  console.log(`${name}: ${each.length} resources looked at`);
}
process.exit(wrong ? 1 : 0);
