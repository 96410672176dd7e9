package modemtest

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
)

// route takes AT+CNMI=mode,mt,bm,ds,bfr (TS 27.005, clause 3.4.1).
func (s *state) route(args string) {
	limits := []int{3, 3, 3, 2, 1}
	values := make([]int, 5)
	parts := strings.Split(args, ",")
	if len(parts) > len(limits) {
		s.cms(305)
		return
	}
	for i, p := range parts {
		n, err := strconv.Atoi(p)
		if err != nil || n < 0 || n > limits[i] {
			s.cms(305)
			return
		}
		values[i] = n
	}
	s.m.announce, s.m.reports = values[1] == 1, values[3] == 1
	s.answer("OK")
}

func (s *state) memory(args string) {
	name := strings.Trim(strings.Split(args, ",")[0], `"`)
	if name != "SM" && name != "ME" && name != "SR" {
		s.cms(302)
		return
	}
	s.m.current = name
	one := fmt.Sprintf("%d,%d", len(s.m.store), s.m.f.Room)
	s.answer("OK", "+CPMS: "+one+","+one+","+one)
}

// list takes AT+CMGL=stat: 0 unread, 1 read, 4 all.
func (s *state) list(args string) {
	if !s.m.pduMode || args != "0" && args != "1" && args != "4" {
		s.cms(302)
		return
	}
	var lines []string
	for i := 1; i <= s.m.f.Room; i++ {
		one, ok := s.m.store[i]
		if !ok || args == "0" && one.read || args == "1" && !one.read {
			continue
		}
		lines = append(lines, fmt.Sprintf("+CMGL: %d,%d,,%d", i, one.stat(), bodyLength(one.pdu)), one.pdu)
		s.m.store[i] = stored{one.pdu, true}
	}
	s.answer("OK", lines...)
}

func (o stored) stat() int {
	if o.read {
		return 1
	}
	return 0
}

func (s *state) read(args string) {
	i, err := strconv.Atoi(args)
	if err != nil || i < 1 || i > s.m.f.Room {
		s.cms(321)
		return
	}
	one, ok := s.m.store[i]
	if !ok {
		s.answer("OK")
		return
	}
	s.m.store[i] = stored{one.pdu, true}
	s.answer("OK", fmt.Sprintf("+CMGR: %d,,%d", one.stat(), bodyLength(one.pdu)), one.pdu)
}

// erase takes AT+CMGD=index[,flag]: 0 that one, 1 all read, 2 and 3 also sent and unsent, 4 all.
func (s *state) erase(args string) {
	index, flag, _ := strings.Cut(args, ",")
	i, err := strconv.Atoi(index)
	if err != nil || i < 1 || i > s.m.f.Room || !slices.Contains([]string{"", "0", "1", "2", "3", "4"}, flag) {
		s.cms(321)
		return
	}
	if s.m.f.Stuck && flag == "" {
		s.cms(313)
		return
	}
	if flag == "" || flag == "0" {
		delete(s.m.store, i)
		s.answer("OK")
		return
	}
	for i, one := range s.m.store {
		if one.read || flag == "4" {
			delete(s.m.store, i)
		}
	}
	s.answer("OK")
}
