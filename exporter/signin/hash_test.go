package signin_test

import (
	"bytes"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"strings"
	"testing"

	"golang.org/x/crypto/argon2"
	"golang.org/x/crypto/blake2b"

	"roundsman/exporter/signin"
)

// argon2id is RFC 9106, section 3, written down from its text for Argon2id alone, without any haste: the library we use
// offers no secret and no associated data, which the RFC's own test vector has.
type argon2id struct {
	password, salt, secret, data []byte
	passes, memory, lanes, n     uint32
	blocks                       [][]block // by lane and column
	columns, segment             uint32
}

type block [128]uint64

func le32(n uint32) []byte { return binary.LittleEndian.AppendUint32(nil, n) }

// long is the variable-length hash H' of section 3.3.
func long(n uint32, parts ...[]byte) []byte {
	in := append(le32(n), bytes.Join(parts, nil)...)
	if n <= 64 {
		h, _ := blake2b.New(int(n), nil)
		h.Write(in)
		return h.Sum(nil)
	}
	v := blake2b.Sum512(in)
	out := append([]byte(nil), v[:32]...)
	for n -= 32; n > 64; n -= 32 {
		v = blake2b.Sum512(v[:])
		out = append(out, v[:32]...)
	}
	h, _ := blake2b.New(int(n), nil)
	h.Write(v[:])
	return h.Sum(out)
}

func toBlock(b []byte) (out block) {
	for i := range out {
		out[i] = binary.LittleEndian.Uint64(b[8*i:])
	}
	return out
}

// mix is GB of section 3.6.
func mix(v *block, a, b, c, d int) {
	half := func(x, y int) uint64 { return v[x] + v[y] + 2*(v[x]&0xffffffff)*(v[y]&0xffffffff) }
	turn := func(x, by int) uint64 { return v[x]>>by | v[x]<<(64-by) }
	for _, by := range [][2]int{{32, 24}, {16, 63}} {
		v[a] = half(a, b)
		v[d] ^= v[a]
		v[d] = turn(d, by[0])
		v[c] = half(c, d)
		v[b] ^= v[c]
		v[b] = turn(b, by[1])
	}
}

// permute is P of section 3.6 on sixteen words of a block.
func permute(v *block, w [16]int) {
	for _, q := range [][4]int{{0, 4, 8, 12}, {1, 5, 9, 13}, {2, 6, 10, 14}, {3, 7, 11, 15}, {0, 5, 10, 15}, {1, 6, 11, 12}, {2, 7, 8, 13}, {3, 4, 9, 14}} {
		mix(v, w[q[0]], w[q[1]], w[q[2]], w[q[3]])
	}
}

// compress is G of section 3.5.
func compress(x, y block) block {
	var r block
	for i := range r {
		r[i] = x[i] ^ y[i]
	}
	z := r
	for row := range 8 {
		var w [16]int
		for i := range w {
			w[i] = 16*row + i
		}
		permute(&z, w)
	}
	for col := range 8 {
		var w [16]int
		for i := range w {
			w[i] = 16*(i/2) + 2*col + i%2
		}
		permute(&z, w)
	}
	for i := range z {
		z[i] ^= r[i]
	}
	return z
}

// key computes the tag, section 3.2.
func (a *argon2id) key() []byte {
	h := blake2b.Sum512(bytes.Join([][]byte{le32(a.lanes), le32(a.n), le32(a.memory), le32(a.passes), le32(0x13), le32(2),
		le32(uint32(len(a.password))), a.password, le32(uint32(len(a.salt))), a.salt,
		le32(uint32(len(a.secret))), a.secret, le32(uint32(len(a.data))), a.data}, nil))
	a.segment = a.memory / (4 * a.lanes)
	a.columns = 4 * a.segment
	a.blocks = make([][]block, a.lanes)
	for lane := range a.blocks {
		a.blocks[lane] = make([]block, a.columns)
		for col := range uint32(2) {
			a.blocks[lane][col] = toBlock(long(1024, h[:], le32(col), le32(uint32(lane))))
		}
	}
	for pass := range a.passes {
		for slice := range uint32(4) {
			for lane := range a.lanes {
				a.fill(pass, slice, lane)
			}
		}
	}
	last := a.blocks[0][a.columns-1]
	for _, lane := range a.blocks[1:] {
		for i := range last {
			last[i] ^= lane[a.columns-1][i]
		}
	}
	var b []byte
	for _, w := range last {
		b = binary.LittleEndian.AppendUint64(b, w)
	}
	return long(a.n, b)
}

// fill computes one segment; the first two slices of the first pass choose their blocks without looking at data.
func (a *argon2id) fill(pass, slice, lane uint32) {
	blind := pass == 0 && slice < 2
	var addresses block
	in := block{uint64(pass), uint64(lane), uint64(slice), uint64(a.lanes * a.columns), uint64(a.passes), 2}
	for i := range a.segment {
		if blind && i%128 == 0 {
			in[6]++
			addresses = compress(block{}, compress(block{}, in))
		}
		if pass == 0 && slice == 0 && i < 2 {
			continue
		}
		col := slice*a.segment + i
		prev := a.blocks[lane][(col+a.columns-1)%a.columns]
		word := prev[0]
		if blind {
			word = addresses[i%128]
		}
		next := compress(prev, a.refer(pass, slice, lane, i, word))
		if pass > 0 {
			for k, old := range a.blocks[lane][col] {
				next[k] ^= old
			}
		}
		a.blocks[lane][col] = next
	}
}

// refer picks the other block, section 3.4.2.
func (a *argon2id) refer(pass, slice, lane, i uint32, word uint64) block {
	l := uint32(word>>32) % a.lanes
	if pass == 0 && slice == 0 {
		l = lane
	}
	area, start := 3*a.segment, (slice+1)%4*a.segment
	if pass == 0 {
		area, start = slice*a.segment, 0
	}
	switch {
	case l == lane:
		area += i - 1
	case i == 0:
		area--
	}
	j1 := word & 0xffffffff
	x := j1 * j1 >> 32
	y := uint64(area) * x >> 32
	return a.blocks[l][(uint64(start)+uint64(area)-1-y)%uint64(a.columns)]
}

func TestArgon2idVector(t *testing.T) {
	// RFC 9106, section 5.3
	a := argon2id{password: bytes.Repeat([]byte{1}, 32), salt: bytes.Repeat([]byte{2}, 16), secret: bytes.Repeat([]byte{3}, 8),
		data: bytes.Repeat([]byte{4}, 12), passes: 3, memory: 32, lanes: 4, n: 32}
	const want = "0d640df58d78766c08c037a34a8b53c9d01ef0452d75b65eb52520e96b01e659"
	if got := hex.EncodeToString(a.key()); got != want {
		t.Fatalf("the written-down algorithm gives %s, RFC 9106 5.3 %s", got, want)
	}
	for _, c := range []signin.Cost{{Memory: 32, Passes: 3, Threads: 4}, {Memory: 64, Passes: 2, Threads: 1}, {Memory: 1024, Passes: 1, Threads: 2}} {
		a := argon2id{password: []byte("three brushes and a mop"), salt: []byte("sixteen bytes !!"), passes: c.Passes, memory: c.Memory, lanes: uint32(c.Threads), n: 32}
		got := argon2.IDKey(a.password, a.salt, c.Passes, c.Memory, c.Threads, 32)
		if want := a.key(); !bytes.Equal(got, want) {
			t.Errorf("%+v: the library gives %x, RFC 9106 %x", c, got, want)
		}
	}
}

func TestHash(t *testing.T) {
	// published with the reference implementation of the Password Hashing Competition's winner, test.c
	h, err := signin.ParseHash("$argon2id$v=19$m=65536,t=2,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc")
	if err != nil || !h.Matches("password") || h.Matches("Password") {
		t.Errorf("known answer: %v", err)
	}
	a, b := signin.DefaultCost.NewHash("three brushes and a mop"), signin.DefaultCost.NewHash("three brushes and a mop")
	if a.String() == b.String() || !a.Matches("three brushes and a mop") || a.Matches("three brushes and a mob") {
		t.Errorf("%s, %s", a, b)
	}
	again, err := signin.ParseHash(a.String())
	if err != nil || again.String() != a.String() || !strings.HasPrefix(a.String(), "$argon2id$v=19$m=19456,t=2,p=1$") {
		t.Errorf("%s read back: %s, %v", a, again, err)
	}
}

func TestBadHashes(t *testing.T) {
	const salt, key = "c29tZXNhbHQ", "CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc"
	form := "its hash is not of the form $argon2id$v=19$m=19456,t=2,p=1$SALT$KEY"
	for _, tt := range []struct{ text, want string }{
		{"", form},
		{"$argon2i$v=19$m=64,t=1,p=1$" + salt + "$" + key, form},
		{"$argon2id$v=16$m=64,t=1,p=1$" + salt + "$" + key, form},
		{"$argon2id$v=19$m=+64,t=1,p=1$" + salt + "$" + key, form},
		{"$argon2id$v=19$m=64,t=1,p=1,x=2$" + salt + "$" + key, form},
		{"$argon2id$v=19$m=64,t=1,p=257$" + salt + "$" + key, form},
		{"$argon2id$v=19$m=64,t=1,p=1$" + salt + "$" + key + "=", form},
		{"$argon2id$v=19$m=4194304,t=1,p=1$" + salt + "$" + key, "its hash has m=4194304; 8 to 262144 is possible"},
		{"$argon2id$v=19$m=64,t=0,p=1$" + salt + "$" + key, "its hash has t=0; 1 to 16 is possible"},
		{"$argon2id$v=19$m=64,t=99,p=1$" + salt + "$" + key, "its hash has t=99; 1 to 16 is possible"},
		{"$argon2id$v=19$m=64,t=1,p=0$" + salt + "$" + key, "its hash has p=0; 1 to 8 is possible"},
		{"$argon2id$v=19$m=64,t=1,p=1$c29t$" + key, "its salt has 3 bytes; 8 to 64 is possible"},
		{"$argon2id$v=19$m=64,t=1,p=1$" + salt + "$c29t", "its hash has 3 bytes; 16 to 64 is possible"},
	} {
		if _, err := signin.ParseHash(tt.text); err == nil || err.Error() != tt.want {
			t.Errorf("%s: %v, want %s", tt.text, err, tt.want)
		}
	}
}

func TestAccounts(t *testing.T) {
	accounts := []signin.Account{
		{Name: "n.quill", Role: signin.Operator, Hash: cheap.NewHash(good), Shown: "Niamh Quill"},
		{Name: "office", Role: signin.Viewer, Hash: cheap.NewHash("seven dry towels")},
	}
	text := signin.Format(accounts)
	back, err := signin.Parse(text)
	if err != nil || len(back) != 2 || back[0].Name != "n.quill" || back[0].Shown != "Niamh Quill" || back[0].Role != signin.Operator ||
		back[1].Role != signin.Viewer || back[1].Hash.String() != accounts[1].Hash.String() || signin.Format(back) != text {
		t.Fatalf("%v\n%s", err, text)
	}
	h := accounts[0].Hash.String()
	for _, tt := range []struct{ text, want string }{
		{"n.quill operator", "line 1: expected name, role, hash and, if it differs, the name as shown"},
		{"\n# remark\nN.Quill operator " + h, `line 3: "N.Quill" is no name: small letters a to z, digits, '.', '_' and '-'`},
		{"n.quill boss " + h, `line 1: n.quill: "boss" is no role; there are viewer and operator`},
		{"n.quill viewer secret", "line 1: n.quill: its hash is not of the form $argon2id$v=19$m=19456,t=2,p=1$SALT$KEY"},
		{"a viewer " + h + "\na viewer " + h + "\nb boss " + h, "line 2: a is there twice\nline 3: b: \"boss\" is no role; there are viewer and operator"},
		{"a viewer " + h + " Ann\x07", "line 1: a: the name as shown holds a character that cannot be printed"},
		{"a viewer " + h + " " + strings.Repeat("x", 81), "line 1: a: the name as shown has more than 80 letters"},
		{strings.Repeat("x", 41) + " viewer " + h, "line 1: the name has more than 40 letters"},
	} {
		if got, err := signin.Parse(tt.text); err == nil || err.Error() != tt.want || got != nil {
			t.Errorf("%q: %v, %v; want %s", tt.text, got, err, tt.want)
		}
	}
	var many strings.Builder
	for i := range signin.MostAccounts + 1 {
		fmt.Fprintf(&many, "p%d viewer %s\n", i, h)
	}
	if _, err := signin.Parse(many.String()); err == nil || err.Error() != "more than 200 people" {
		t.Errorf("many: %v", err)
	}
}

func TestCheckPassword(t *testing.T) {
	for _, tt := range []struct{ password, want string }{
		{"three brushes and a mop", ""},
		{"zwölf wörter!", ""},
		{"eleven char", "the password has fewer than 12 letters; a few words that do not belong together are good"},
		{"n.quill in the rain", "the password holds the name"},
		{"N.QUILL in the rain", "the password holds the name"},
		{"aaaaaaaaaaaaaaaa", "the password is one letter many times"},
		{"three\nbrushes and", "the password holds a character that a form cannot carry"},
		{strings.Repeat("ab", 129), "the password has more than 256 bytes"},
	} {
		err := signin.CheckPassword("n.quill", tt.password)
		if got := fmt.Sprint(err); got != tt.want && !(err == nil && tt.want == "") {
			t.Errorf("%q: %s, want %q", tt.password, got, tt.want)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add("n.quill operator $argon2id$v=19$m=64,t=1,p=1$c29tZXNhbHQ$CTFhFdXPJO1aFaMaO6Mm5c8y7cJHAph8ArZWb2GRPPc Niamh Quill")
	f.Add("# nobody\n\na viewer $argon2id$v=19$m=1,t=1,p=1$$ \u200b")
	f.Fuzz(func(t *testing.T, text string) {
		accounts, err := signin.Parse(text)
		if err != nil {
			if accounts != nil {
				t.Fatal("accounts beside an error")
			}
			return
		}
		again, err := signin.Parse(signin.Format(accounts))
		if err != nil || signin.Format(again) != signin.Format(accounts) {
			t.Fatalf("%v: %q", err, text)
		}
	})
}
