// Package exportertest makes views for tests of what shows, sends or keeps: the
// invented site Ardenmoor Wash with its 70 points, its main rules, links and
// machines, all quiet unless a test disturbs it.
//
//	room := exportertest.Ardenmoor(clock)
//	room.Set("air.header.pressure", 5.21)
//	room.Alarm("air-low", rules.Unacknowledged, 4*time.Minute)
//	board := exporter.NewBoard(clock, room.View())
package exportertest

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"roundsman/collector"
	"roundsman/exporter"
	"roundsman/rules"
)

// Room is a site and its present state. One goroutine owns it.
type Room struct {
	clock *collector.Clock
	site  *exporter.Site
	now   collector.Moment
	view  exporter.View
}

// points are the site's points: name, station, link, unit ('s' a state, 't' text, '#' a
// counter before its unit), range, decimals, and a value of a quiet morning.
const points = `
air.header.pressure air plc bar 0 16 2 7.62
air.dryer.outlet.pressure air plc bar 0 16 2 7.38
air.dryer.difference air - bar nan nan 2 0.24
air.compressor.temperature air plc degC 0 150 1 84.6
air.compressor.current air plc A 0 40 1 19.8
air.compressor.hours air plc #h nan nan 1 14287.3
air.dew.point air plc degC -40 30 1 4.2
air.compressor.running air plc s nan nan 0 1
air.compressor.loaded air plc s nan nan 0 1
air.compressor.fault air plc s nan nan 0 0
air.drain.operated air plc s nan nan 0 0
hyd.pack.1.pressure hydraulics plc bar 0 160 1 82.4
hyd.pack.2.pressure hydraulics plc bar 0 160 1 79.9
hyd.oil.temperature hydraulics plc degC -10 110 1 48.3
hyd.reservoir.level hydraulics plc % 0 100 1 82.1
hyd.return.filter.in hydraulics plc bar 0 10 2 1.42
hyd.return.filter.out hydraulics plc bar 0 10 2 1.01
hyd.filter.difference hydraulics - bar nan nan 2 0.41
hyd.pump.1.running hydraulics plc s nan nan 0 1
hyd.pump.2.running hydraulics plc s nan nan 0 1
city.pressure fresh plc bar 0 10 2 3.94
fresh.tank.level fresh yard m 0 2.5 2 1.86
fresh.tank.battery fresh yard V 2.5 4.2 2 3.71
fresh.meter.pulses fresh meters #L nan nan 0 482310
fresh.fill.open fresh plc s nan nan 0 0
weep.on fresh plc s nan nan 0 0
pit.1.level pits meters m 0 2.4 2 1.44
pit.2.level pits meters m 0 2.4 2 1.31
pit.3.level pits meters m 0 2.4 2 1.18
pit.3.high.float pits meters s nan nan 0 0
pit.temperature pits plc degC -20 50 1 11.8
reclaim.lift.1.running pits meters s nan nan 0 1
reclaim.lift.2.running pits meters s nan nan 0 0
sump.running pits meters s nan nan 0 0
reclaim.tank.level reclaim meters % 0 100 1 71.5
reclaim.filter.in reclaim meters bar 0 6 2 2.61
reclaim.filter.out reclaim meters bar 0 6 2 2.18
reclaim.filter.difference reclaim - bar nan nan 2 0.43
reclaim.turbidity reclaim meters FNU 0 400 1 34.2
reclaim.turbidity.wiper.fault reclaim meters s nan nan 0 0
reclaim.orp reclaim meters mV -500 1000 0 694
reclaim.sanitizer.healthy reclaim meters s nan nan 0 1
reclaim.supply.1.running reclaim meters s nan nan 0 1
reclaim.supply.2.running reclaim meters s nan nan 0 0
reclaim.meter.pulses reclaim meters #L nan nan 0 1930450
backwash.running reclaim meters s nan nan 0 0
ro.tank.level ro yard m 0 2.5 2 1.52
ro.tank.battery ro yard V 2.5 4.2 2 3.66
ro.conductivity ro plc uS/cm 0 200 1 12.4
ro.meter.pulses ro meters #L nan nan 0 88214
ro.pump.running ro plc s nan nan 0 0
arch.pressure tunnel plc bar 0 120 1 78.3
arch.pump.running tunnel plc s nan nan 0 1
conveyor.running tunnel plc s nan nan 0 1
conveyor.pulses tunnel plc #m nan nan 1 91827.4
vehicles.count tunnel plc #cars nan nan 0 126
wash.open tunnel plc s nan nan 0 1
emergency.stop.healthy tunnel plc s nan nan 0 1
maintenance.key tunnel plc s nan nan 0 0
drum.detergent.mass chemicals yard kg 0 250 1 141.2
drum.wax.mass chemicals yard kg 0 250 1 88.0
drum.presoak.mass chemicals yard kg 0 250 1 38.4
mains.good power plc s nan nan 0 1
power.voltage.l1 power meters V 0 300 1 231.4
power.voltage.l2 power meters V 0 300 1 230.2
power.voltage.l3 power meters V 0 300 1 232.0
power.current.l1 power meters A 0 200 1 88.1
power.current.l2 power meters A 0 200 1 86.7
power.current.l3 power meters A 0 200 1 89.4
power.total power meters kW 0 130 1 52.6
energy.total power meters #kWh nan nan 0 219043
site.room.temperature power plc degC -20 50 1 17.9
yard.gateway.online power yard s nan nan 0 1
`

// judgements are the main rules: name, point, kind, limit, deadband, on-delay,
// off-delay, priority, then 'consequence | response'.
const judgements = `
compressor-fault air.compressor.fault equals 1 0 1s 5s high Low air within a minute. | Stop loading. Read the fault on the compressor's panel.
air-low air.header.pressure low 5.5 0.3 5s 30s high Wraparounds may not retract; vehicles and staff can be struck. | Stop loading. Check the compressor is running and the dryer bypass is shut.
air-low-low air.header.pressure low-low 4.8 0.4 2s 30s high Retracts are dead: contact with cars. | Stop the conveyor, clear the cars.
dryer-difference air.dryer.difference high 0.5 0.1 1m 1m low The tunnel gets less air than the gauge shows. | Look at the filter and the dryer.
compressor-hot air.compressor.temperature high 105 5 10s 1m medium The compressor will trip. | Open the doors, look at cooler and fan.
compressor-very-hot air.compressor.temperature high-high 110 5 10s 1m medium The compressor trips about here. | Stop loading.
dew-point-high air.dew.point high 15 2 10m 10m note Water in valves. | Look at the dryer this week.
hyd-1-low hyd.pack.1.pressure low 60 3 3s 10s medium The conveyor stops with cars inside. | Hold the cars. Look for oil from a distance.
oil-hot hyd.oil.temperature high 70 3 1m 2m low Oil ages, seals suffer. | Look at the cooler and its fan.
oil-hot-high hyd.oil.temperature high-high 80 3 30s 2m medium Seals and hoses suffer. | Stop the pack at the next gap.
reservoir-low hyd.reservoir.level low 60 3 1m 1m low The pump draws air. | Find the leak.
reservoir-low-low hyd.reservoir.level low-low 45 3 5s 1m high The pump draws air, oil on the floor. | Stop the pack, keep people away.
hyd-filter hyd.filter.difference high 1.8 0.3 2m 5m low Oil passes unfiltered. | Change the element.
city-low city.pressure low 1.8 0.2 30s 1m low The fresh tank does not fill. | Ring the utility.
fresh-low fresh.tank.level low 0.8 0.1 1m 2m low Cars leave soapy within the hour. | Look at city valve and fill valve.
fresh-low-low fresh.tank.level low-low 0.4 0.1 10s 2m low Cars leave soapy. | Stop loading.
pit-3-low pit.3.level low 0.6 0.1 10s 1m low The lift pump runs dry. | Stop the pump, look at the float.
pit-3-high pit.3.level high 2.1 0.1 1m 1m medium The tunnel floods in minutes. | Look at the lift pumps and the trench.
pit-3-flood pit.3.level high-high 2.25 0.1 5s 1m high Water in the tunnel near electricity. | Stop loading, shut the fresh water.
freezing pit.temperature low 3 1 10m 30m low Lines burst. | Heat and weep on.
reclaim-low reclaim.tank.level low 30 3 1m 2m low Falls back to fresh water. | Look at the lift pumps and the valve.
reclaim-low-low reclaim.tank.level low-low 15 3 10s 2m low The supply pump runs dry. | Stop the supply pump.
reclaim-high reclaim.tank.level high 96 3 1m 2m low It overflows. | Stop the lift pumps.
reclaim-filter reclaim.filter.difference high 1.2 0.2 2m 5m low Dirty rinse. | Backwash.
turbidity-high reclaim.turbidity high 90 5 2m 5m low Spots and complaints. | Backwash, look at a sample.
turbidity-very-high reclaim.turbidity high-high 150 5 2m 5m low Spots and complaints. | Backwash, look at a sample.
orp-low reclaim.orp low 600 20 5m 10m low It will smell. | Look at the sanitizer.
orp-high reclaim.orp high 800 20 5m 10m low Corrosion. | Look at the sanitizer.
ro-conductivity ro.conductivity high 50 5 5m 5m low Spots. | Look at membrane and feed.
supply-no-pressure arch.pressure low 55 5 20s 20s medium No high-pressure wash. | Stop the arch pump; look at seal and nozzles.
drum-presoak drum.presoak.mass low 15 1 5m 5m note Wash without product. | Change the drum.
mains-lost mains.good equals 0 0 2s 30s high Everything stops. | Is the street dark?
phase-low power.voltage.l2 low 200 5 1m 1m medium Motors burn. | Call the electrician.
room-cold site.room.temperature low 5 1 10m 30m low Lines burst. | Heat on.
sensor-fault:reclaim.turbidity reclaim.turbidity bad nan 0 30s 30s low Blind at one point. | Read the gauge.
gateway-lost yard.gateway.online equals 0 0 30s 30s low Blind in the yard. | Look at its power.
`

// Ardenmoor returns the site on a quiet morning, at the clock's present moment.
func Ardenmoor(clock *collector.Clock) *Room {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		zone = time.UTC // a machine without time zones
	}
	r := &Room{clock: clock, site: &exporter.Site{Name: "Ardenmoor Wash", Zone: zone, Demo: true}, now: clock.Now()}
	r.view.Started = clock.Time(r.now.Add(-38 * time.Hour))
	for line := range strings.Lines(strings.TrimSpace(points)) {
		r.addPoint(strings.Fields(line))
	}
	for line := range strings.Lines(strings.TrimSpace(judgements)) {
		r.addRule(strings.TrimSpace(line))
	}
	r.addLinks()
	r.addMachines()
	return r
}

func (r *Room) addPoint(f []string) {
	id := collector.PointID(len(r.site.Points))
	p := collector.Point{ID: id, Name: f[0], Station: f[1], Link: strings.TrimPrefix(f[2], "-"), Unit: f[3],
		Low: float(f[4]), High: float(f[5]), Digits: int(float(f[6]))}
	switch {
	case p.Unit == "s":
		p.Kind, p.Unit = collector.State, ""
	case p.Unit == "t":
		p.Kind, p.Unit = collector.Text, ""
	case p.Unit[0] == '#':
		p.Kind, p.Unit = collector.Counter, p.Unit[1:]
	}
	r.site.Points = append(r.site.Points, p)
	r.view.Readings = append(r.view.Readings, collector.Reading{Point: id, Value: float(f[7]), Quality: collector.Good, At: r.now.Add(-300 * time.Millisecond)})
}

func float(s string) float64 {
	var f float64
	if _, err := fmt.Sscan(s, &f); err != nil {
		return math.NaN()
	}
	return f
}

func (r *Room) addRule(line string) {
	f := strings.Fields(line)
	text := strings.Join(f[8:], " ")
	consequence, response, _ := strings.Cut(text, " | ")
	i := r.PointIndex(f[1])
	kind := map[string]rules.Kind{"low": rules.Low, "low-low": rules.LowLow, "high": rules.High, "high-high": rules.HighHigh,
		"equals": rules.Equals, "bad": rules.BadSignal}[f[2]]
	n := len(r.site.Rules)
	r.site.Rules = append(r.site.Rules, rules.Rule{Name: f[0], Point: collector.PointID(i), Kind: kind, Limit: float(f[3]),
		Deadband: float(f[4]), OnDelay: duration(f[5]), OffDelay: duration(f[6]),
		Priority:    map[string]rules.Priority{"note": rules.Note, "low": rules.LowPriority, "medium": rules.MediumPriority, "high": rules.HighPriority}[f[7]],
		Consequence: consequence, Response: response, Unit: r.site.Points[i].Unit, Digits: r.site.Points[i].Digits,
		TimeToRespond: 3 * time.Minute, Defined: fmt.Sprintf("rules.yaml:%d", 10*n+3)})
	r.view.Alarms = append(r.view.Alarms, rules.Status{Rule: n, Cause: -1})
}

func duration(s string) time.Duration {
	d, err := time.ParseDuration(s)
	if err != nil {
		panic(err) // a slip in the table above
	}
	return d
}

func (r *Room) addLinks() {
	up := r.now.Add(-38 * time.Hour)
	for _, l := range [][3]string{{"plc", "modbus tcp", "10.0.4.10:502"}, {"meters", "modbus rtu", "/dev/ttyUSB0"}, {"yard", "mqtt", "127.0.0.1:1883"}} {
		k := collector.LinkStatus{Name: l[0], Kind: l[1], Address: l[2], Up: true, Since: up, DurationSum: 97.3}
		k.Requests[collector.Answered], k.Requests[collector.TimedOut] = 136800, 4
		k.Durations[2], k.Durations[9] = 136800, 4
		r.view.Links = append(r.view.Links, k)
	}
	r.view.Links[1].Units = []collector.UnitStatus{{Unit: 5, Good: true, Since: up}, {Unit: 6, Good: true, Since: up}, {Unit: 7, Good: true, Since: up}}
}

func (r *Room) addMachines() {
	for i, name := range []string{"air.compressor", "hyd.pump.1", "hyd.pump.2", "reclaim.lift.1", "reclaim.lift.2", "reclaim.supply.1", "sump"} {
		r.view.Equipment = append(r.view.Equipment, exporter.Equipment{Name: name, Running: i%3 != 2, Known: true,
			RunSeconds: float64(5000 + 7321*i), Starts: uint64(3 + 11*i)})
	}
	r.view.Equipment[1].Services = []exporter.ServiceDue{{Service: "return filter", EverySeconds: 500 * 3600, DueSeconds: 412 * 3600}, {Service: "oil sample", EverySeconds: 1000 * 3600, DueSeconds: -7200}}
	r.view.Equipment[6].UnseenSeconds = 95
}

// PointIndex returns the index of a point by name; it panics for an unknown one.
func (r *Room) PointIndex(name string) int {
	i := slices.IndexFunc(r.site.Points, func(p collector.Point) bool { return p.Name == name })
	if i < 0 {
		panic("exportertest: no point " + name)
	}
	return i
}

// Set gives a point a good reading of the present moment.
func (r *Room) Set(point string, value float64) {
	i := r.PointIndex(point)
	r.view.Readings[i] = collector.Reading{Point: collector.PointID(i), Value: value, Quality: collector.Good, At: r.now}
}

// Fail gives a point a reading with a fault.
func (r *Room) Fail(point string, f collector.Fault, value float64, detail string) {
	i := r.PointIndex(point)
	r.view.Readings[i] = collector.Fail(collector.PointID(i), f, 3480, r.now, detail)
	r.view.Readings[i].Value = value
}

// Alarm puts an alarm into a state that began so long ago, judged by the point's present value.
func (r *Room) Alarm(name string, state rules.State, ago time.Duration) *rules.Status {
	i := slices.IndexFunc(r.site.Rules, func(x rules.Rule) bool { return x.Name == name })
	if i < 0 {
		panic("exportertest: no rule " + name)
	}
	value := r.view.Readings[r.site.Rules[i].Point].Value
	r.view.Alarms[i] = rules.Status{Rule: i, State: state, Since: r.now.Add(-ago), Started: r.now.Add(-ago), Activations: 1, Cause: -1,
		Active: state == rules.Unacknowledged || state == rules.Acknowledged, Value: value, Peak: value}
	return &r.view.Alarms[i]
}

// Link returns the link's status, to change.
func (r *Room) Link(i int) *collector.LinkStatus { return &r.view.Links[i] }

// Equipment returns a machine, to change.
func (r *Room) Equipment(i int) *exporter.Equipment { return &r.view.Equipment[i] }

// Site returns the site. Change it before the first View only.
func (r *Room) Site() *exporter.Site { return r.site }

// Now returns the present moment of the room.
func (r *Room) Now() collector.Moment { return r.now }

// Pass lets time pass.
func (r *Room) Pass(d time.Duration) { r.now = r.now.Add(d) }

// View returns a finished view of the present state, which later changes leave alone.
func (r *Room) View() *exporter.View {
	r.view.Round++
	v := r.view
	v.Site, v.At, v.Time = r.site, r.now, r.clock.Time(r.now)
	v.Readings, v.Alarms = slices.Clone(v.Readings), slices.Clone(v.Alarms)
	v.Links, v.Equipment = slices.Clone(v.Links), slices.Clone(v.Equipment)
	return &v
}

// Saturday returns the room at ten past six on a Saturday: header air sinks, one
// sensor's wire is broken, the serial line is down and a pump's alarm is shelved.
func Saturday(clock *collector.Clock) *Room {
	r := Ardenmoor(clock)
	r.Set("air.header.pressure", 5.21)
	r.Set("air.dryer.outlet.pressure", 4.97)
	r.Set("air.compressor.running", 0)
	r.Set("air.compressor.loaded", 0)
	r.Set("air.compressor.fault", 1)
	r.Alarm("compressor-fault", rules.Unacknowledged, 31*time.Second)
	r.Alarm("air-low", rules.Unacknowledged, 4*time.Second)
	r.Set("hyd.oil.temperature", 71.4)
	r.Alarm("oil-hot", rules.Acknowledged, 14*time.Minute).AcknowledgedBy = "Aoife"
	r.Fail("fresh.tank.level", collector.TooFast, 0.61, "fell 1.25 m in 30 s")
	r.Fail("hyd.reservoir.level", collector.SignalLow, 0, "3.48 mA is below 3.6 mA, wire or sensor broken")
	r.Alarm("turbidity-high", rules.SuppressedByDesign, time.Hour).Why = "backwash"
	s := r.Alarm("room-cold", rules.Shelved, 20*time.Minute)
	s.By, s.Why, s.Until = "Aoife", "door open for the delivery", r.now.Add(40*time.Minute)
	r.Alarm("drum-presoak", rules.ReturnUnacknowledged, 3*time.Hour).Active = false
	for i := range r.site.Points {
		if r.site.Points[i].Link == "meters" {
			r.view.Readings[i] = collector.Fail(collector.PointID(i), collector.LinkLost, 0, r.now, "no such device /dev/ttyUSB0")
		}
	}
	l := r.Link(1)
	l.Up, l.Since, l.LastError = false, r.now.Add(-2*time.Minute), "open /dev/ttyUSB0: no such file or directory"
	return r
}
