// Every bound of the program, unit last in its name.

export const readerFlushIntervalMs = 5;
export const mergeWaitMaxMs = 20;
export const readerQueueMaxS = 4;
export const commitAgeMaxMs = 100;
export const sliceLengthS = 10;
export const sessionSilenceMaxS = 60;
export const staleAfterMinMs = 100;
export const stalePeriods = 3;
export const staleWithoutPeriodMs = 1000;
export const formulaLengthMax = 500;
export const formulaDepthMax = 32;
export const definitionFileBytesMax = 256 * 1024;
export const livePacketsPerSecondMax = 30;
export const liveSilenceMs = 250;
export const pageGreyAfterMs = 750;
/** Source states, loss and load go with a packet this often. */
export const liveStatusMs = 500;
export const liveInFlightMax = 2;
export const livePauseAfterMs = 5_000;
export const liveDropAfterMs = 30_000;
export const liveBinsPerPacketMax = 64;
export const liveClientsMax = 64;
export const liveMessageBytesMax = 64 * 1024;
export const defaultPort = 8414;
export const unknownIdsMax = 4096;
export const malformedNamedMax = 100;
export const unmatchedInterfacesMax = 64;
