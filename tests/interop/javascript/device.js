// Serves analog inputs as a device of other authors would. Arguments: port, device instance, number of analog inputs.
// "NUMBER VALUE" on standard input changes one; it says "ready" and "set", and ends when standard input is closed.
'use strict';
const Client = require('node-bacnet');
const [port, device, count] = process.argv.slice(2).map(Number);
const { ApplicationTag, ErrorClass, ErrorCode, ConfirmedServiceChoice, Segmentation } = Client.enum;
const INPUT = 0, DEVICE = 8, ANALOG_UNITS = 62, ARRAY_ALL = 0xffffffff;
const real = (value) => [{ type: ApplicationTag.REAL, value }];
const unsigned = (value) => [{ type: ApplicationTag.UNSIGNED_INTEGER, value }];
const enumerated = (value) => [{ type: ApplicationTag.ENUMERATED, value }];
const text = (value) => [{ type: ApplicationTag.CHARACTER_STRING, value }];
const id = (type, instance) => [{ type: ApplicationTag.OBJECTIDENTIFIER, value: { type, instance } }];
const present = Array.from({ length: count + 1 }, (_, number) => 10 * number);

// property number -> value; present-value 85, status-flags 111, object-name 77, units 117, description 28, object-identifier 75
const ofInput = (number) => ({
  28: () => text(''), 75: () => id(INPUT, number), 77: () => text(`P${number}`), 85: () => real(present[number]),
  111: () => [{ type: ApplicationTag.BIT_STRING, value: { value: [0], bitsUsed: 4 } }], 117: () => enumerated(ANALOG_UNITS),
});
// max-apdu-length-accepted 62, segmentation-supported 107, object-list 76, vendor-identifier 120
const ofDevice = {
  62: () => unsigned(1476), 75: () => id(DEVICE, device), 77: () => text('peer'), 107: () => enumerated(Segmentation.NO_SEGMENTATION),
  120: () => unsigned(0), 121: () => text('node-bacnet'),
  76: () => [...id(DEVICE, device), ...present.slice(1).flatMap((_, at) => id(INPUT, at + 1))],
};

function found(objectId, property) {
  const known = objectId.type === DEVICE && objectId.instance === device ? ofDevice
    : objectId.type === INPUT && objectId.instance >= 1 && objectId.instance <= count ? ofInput(objectId.instance) : null;
  if (!known) return { errorClass: ErrorClass.OBJECT, errorCode: ErrorCode.UNKNOWN_OBJECT };
  if (!known[property.id]) return { errorClass: ErrorClass.PROPERTY, errorCode: ErrorCode.UNKNOWN_PROPERTY };
  const whole = known[property.id]();
  if (property.index === ARRAY_ALL || property.id !== 76) return { value: whole };
  return { value: property.index === 0 ? unsigned(whole.length) : [whole[property.index - 1]] };
}

const client = new Client({ port, interface: '127.0.0.1', broadcastAddress: '127.255.255.255', apduTimeout: 3000 });
client.on('whoIs', ({ header, payload = {} }) => {
  if ((payload.lowLimit ?? 0) <= device && device <= (payload.highLimit ?? 4194303)) {
    client.iAmResponse(header.sender, device, Segmentation.NO_SEGMENTATION, 0);
  }
});
client.on('readProperty', ({ header, invokeId, payload }) => {
  const one = found(payload.objectId, payload.property);
  if (one.value) client.readPropertyResponse(header.sender, invokeId, payload.objectId, payload.property, one.value);
  else client.errorResponse(header.sender, ConfirmedServiceChoice.READ_PROPERTY, invokeId, one.errorClass, one.errorCode);
});
client.on('readPropertyMultiple', ({ header, invokeId, payload }) => {
  const rows = payload.properties.map(({ objectId, properties }) => ({
    objectId,
    values: properties.map((property) => {
      const one = found(objectId, property);
      const { errorClass, errorCode } = one;
      return { property, value: one.value || [{ value: { type: 'BacnetError', errorClass, errorCode } }] };
    }),
  }));
  client.readPropertyMultipleResponse(header.sender, invokeId, rows);
});
client.on('listening', () => console.log('ready'));
client.on('error', (error) => console.error(error));
require('readline').createInterface({ input: process.stdin }).on('line', (line) => {
  const [number, value] = line.split(' ').map(Number);
  present[number] = value;
  console.log('set');
}).on('close', () => process.exit(0));
