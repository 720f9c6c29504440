package shop

// exportTables is the form of the exported files. The store selects the same columns
// under the same names.
var exportTables = []exportTable{
	{"owners", "Customers, who own boards.", `
reference: names the customer
name: name
contact: telephone, mail or address
created_at: when it was recorded`},
	{"boards", "The serviced boards.", `
reference: names the board
serial: serial, empty when it cannot be read
make: make
model: model
series_cells: cells in series
parallel_cells: cells in parallel
chemistry: layered_oxide or iron_phosphate
controller: controller
firmware: firmware of the controller
odometer_km: last odometer reading
odometer_at: when it was read
facts: board facts of the library, by name
owner: reference of the customer
owner_name: name of the customer
owner_contact: contact of the customer
note: note
first_seen_at: when the board was recorded; its time in service counts from here or from its first job`},
	{"connectors", "The connector register: what each board really has.", `
reference: names the connector
board: reference of the board
place: where it is
component: component of the library
family: connector family
poles: number of contacts
polarity: as_marked, reversed or unknown, as measured
pin_map: wire by pin
sealing: how it is sealed
note: note
fitted_at: fitted
removed_at: removed; empty while it is there`},
	{"parts", "Articles in stock.", `
reference: names the article
number: part number
name: name
component: component of the library that it is for
supplier: supplier
unit_cost_minor: cost of one, in minor units of the currency
currency: ISO 4217 code
min_stock: stock below which it is ordered
stock: pieces in stock
note: note
created_at: when it was recorded`},
	{"jobs", "Visits of a board.", `
reference: names the job
number: number on the ticket
board: reference of the board
board_serial: serial of the board
state: state of the job
complaint: what the owner said
odometer_km: odometer at intake
exposures: rain, immersion, road_salt, crash, storage, reworked
condition: condition at intake
warranty_of: reference of the job whose warranty it is
comeback_of: reference of the job of which it is a comeback
library_number: number of the library edition that its diagnosis used
opened_at: received
ready_at: ready for the owner
closed_at: returned or scrapped`},
	{"job_states", "The history of each job.", `
job: reference of the job
step: counts up from 1
from_state: state before; empty at the first step
to_state: state after
reason: reason given
at: when
by: who`},
	{"observations", "Symptoms, measurements and causes found sound, also those retracted or replaced.", `
reference: names the observation
job: reference of the job
kind: symptom, measurement or cause
symptom: symptom of the library
present: whether the symptom is there
measurement: measurement of the library
cause: cause that was found sound
unavailable: whether the measurement could not be taken
unavailable_reason: why not
outcome: outcome of the measurement
detail: which phase, tap or place
readings: readings as they were typed
values: values computed from them, with units
text: what was computed and against which limit
instrument: name, accuracy and calibration of the instrument, as they stood
note: note
from_exposure: whether it follows from how the board was used
at: when
by: who
retracted_at: when it was taken back
retracted_by: by whom
superseded_by: reference of the observation that replaced it
invalidated_at: when it was overtaken by an event
invalidated_by: the event`},
	{"openings", "What was opened and closed in each job.", `
job: reference of the job
opening: opening of the library
state: open or closed
implied: whether it was recorded because a measurement needs it
at: when
by: who`},
	{"installed_parts", "Parts fitted to boards.", `
reference: names the fitted part
board: reference of the board
part_number: number of the article; empty for one from elsewhere
part_name: name of the article
component: component of the library
serial: serial of the piece
lot: supplier lot
installed_at: fitted
installed_km: odometer then
removed_at: removed; empty while it is there
removed_km: odometer then
repair: reference of the repair that fitted it`},
	{"faults", "Causes confirmed in jobs.", `
reference: names the fault
job: reference of the job
cause: cause of the library
component: component that failed
failure_mode: failure mode (ISO 14224)
connector: reference of the connector that failed
installed_part: reference of the fitted part that failed
note: note
probability: what the diagnosis gave the cause then, 0 to 1
advised: cause that was advised instead
disagreement: why another was confirmed
grounds: in words
basis: what spoke for and against it then
at: when it was confirmed
by: who
waived_at: when it was left unrepaired
waived_by: by whom
waive_reason: why`},
	{"repairs", "What was done about faults.", `
reference: names the repair
job: reference of the job
fault: reference of the fault
action: what was done
minutes: working time in minutes
note: note
at: when
by: who`},
	{"repair_parts", "Parts used in repairs.", `
repair: reference of the repair
line: counts up from 1
part_number: number of the article
part_name: name then
quantity: pieces
lot: supplier lot
serial: serial of the piece`},
	{"verifications", "Measurements that prove a repair or a closing.", `
reference: names the verification
job: reference of the job
measurement: measurement of the library
outcome: outcome
detail: which phase, tap or place
readings: readings as they were typed
values: values computed from them, with units
text: what was computed and against which limit
instrument: name, accuracy and calibration of the instrument, as they stood
passed: whether the outcome is a normal one
at: when
by: who
invalidated_at: when it was overtaken by an event
invalidated_by: the event`},
	{"stock_movements", "The ledger of the stock.", `
part_number: number of the article
entry: counts up from 1 for each article
quantity: pieces; below 0 taken away
balance: stock after it
reason: received, used, returned, counted or scrapped
lot: supplier lot
unit_cost_minor: cost of one, in minor units of the article's currency
repair: reference of the repair that used it
at: when
by: who
note: note`},
	{"instruments", "Measuring instruments.", `
name: name
kind: kind
serial: serial
calibration_due: last day on which the calibration holds
retired_at: when it was taken out of use
note: note
created_at: when it was recorded`},
	{"instrument_ranges", "Stated limits of error: plus or minus (plus_minus_pct of the reading and counts last digits).", `
instrument: name of the instrument
line: counts up from 1
unit: UCUM unit of low, high and resolution
low: lowest reading of the range
high: highest reading of the range
resolution: one last digit
plus_minus_pct: percent of the reading
counts: last digits`},
	{"audit", "Who did what and when.", `
at: when
by: who
action: what
subject_kind: kind of thing
subject: its id, which is its reference unless it was imported
detail: details by name`},
}
