// Reads, lists, subscribes, reads a log, writes and releases as a client of other authors would; one JSON object comes out.
// Arguments: port of the controller, device instance, instance of an analog input, of a trend log, of a commandable analog value.
'use strict';
const Client = require('node-bacnet');
const [port, device, input, log, setpoint] = process.argv.slice(2).map(Number);
const receiver = { address: `127.0.0.1:${port}` };
const kinds = { input: 0, value: 2, device: 8, log: 20 };
const PRESENT_VALUE = 85, STATUS_FLAGS = 111, OBJECT_NAME = 77, OBJECT_LIST = 76, PRIORITY_ARRAY = 87, RECORD_COUNT = 141;
const client = new Client({ port: 0, interface: '127.0.0.1', broadcastAddress: '127.255.255.255', apduTimeout: 3000 });
const asked = (act) => new Promise((done, failed) => act((error, answer) => (error ? failed(error) : done(answer))));
const read = async (object, property, options = {}) =>
  (await asked((next) => client.readProperty(receiver, object, property, options, next))).values;
const point = { type: kinds.input, instance: input }, value = { type: kinds.value, instance: setpoint };

function subscribed(confirmed, process_) {
  return new Promise((done, failed) => {
    const event = confirmed ? 'covNotify' : 'covNotifyUnconfirmed';
    client.once(event, (notice) => {
      const header = notice.header;
      if (confirmed) client.simpleAckResponse(header.sender, Client.enum.ConfirmedServiceChoice.CONFIRMED_COV_NOTIFICATION, notice.invokeId);
      const values = notice.payload.values;
      done(values.find((item) => item.property.id === PRESENT_VALUE).value[0].value);
    });
    client.subscribeCov(receiver, point, process_, false, confirmed, 60, {}, (error) => error && failed(error));
  });
}

async function main() {
  const found = {};
  const iAm = new Promise((done) => client.once('iAm', (answer) => done(answer.payload)));
  client.whoIs({ lowLimit: device, highLimit: device, address: receiver.address });
  found.whoIs = (await iAm).deviceId;
  found.name = (await read({ type: kinds.device, instance: device }, OBJECT_NAME))[0].value;
  found.objects = (await read({ type: kinds.device, instance: device }, OBJECT_LIST, { arrayIndex: 0 }))[0].value;
  found.present = (await read(point, PRESENT_VALUE))[0].value;
  const several = await asked((next) => client.readPropertyMultiple(receiver, [
    { objectId: point, properties: [{ id: PRESENT_VALUE }, { id: STATUS_FLAGS }] },
    { objectId: value, properties: [{ id: PRESENT_VALUE }] },
  ], {}, next));
  found.several = several.values.map((row) => row.values[0].value[0].value);
  found.unconfirmed = await subscribed(false, 1);
  found.confirmed = await subscribed(true, 2);
  found.records = (await read({ type: kinds.log, instance: log }, RECORD_COUNT))[0].value;
  const range = await asked((next) => client.readRange(receiver, { type: kinds.log, instance: log }, 1, 5, {}, next));
  found.range = { items: range.itemCount, octets: range.rangeBuffer.length };
  const write = (content, priority) => asked((next) =>
    client.writeProperty(receiver, value, PRESENT_VALUE, content, { priority }, next));
  await write([{ type: Client.enum.ApplicationTag.REAL, value: 70.5 }], 8);
  found.written = (await read(value, PRESENT_VALUE))[0].value;
  found.slot8 = (await read(value, PRIORITY_ARRAY, { arrayIndex: 8 }))[0].value;
  await write([{ type: Client.enum.ApplicationTag.NULL, value: null }], 8);
  found.released = (await read(value, PRESENT_VALUE))[0].value;
  found.refused = await write([{ type: Client.enum.ApplicationTag.REAL, value: 1e9 }], 8).then(() => 'taken', (error) => error.message);
  console.log(JSON.stringify(found));
}

main().catch((error) => { console.error(error); process.exitCode = 1; }).finally(() => client.close());
