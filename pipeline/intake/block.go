package intake

// The least and the most that coefficients of 8-bit samples can be (ITU-T T.81,
// tables F.1 and F.2): no difference of averages has more than 11 bits, nothing
// else more than 10. So what was decoded can be coded as baseline.
const (
	minAverage = -1024
	maxAverage = 1023
	maxOther   = 1023
)

// average decodes a block's average, which comes as the difference from the
// block before (F.2.2.1, G.1.2.1).
func (d *decoder) average(c *component, to *int16) error {
	size, err := d.bits.code(c.dc)
	if err != nil {
		return err
	}
	if size > 11 {
		return errSaturated
	}
	difference, err := d.bits.number(int(size))
	if err != nil {
		return err
	}
	c.predicted += difference
	v := c.predicted << d.scan.low
	if v < minAverage || v > maxAverage {
		return errSaturated
	}
	*to = int16(v)
	return nil
}

// sequential decodes a whole block (F.2.2). A block that breaks off is left as
// it was.
func (d *decoder) sequential(c *component, to *[64]int16) error {
	var b [64]int16
	if err := d.average(c, &b[0]); err != nil {
		return err
	}
	for k := 1; k < 64; k++ {
		code, err := d.bits.code(c.ac)
		if err != nil {
			return err
		}
		run, size := int(code>>4), int(code&0x0f)
		if size == 0 {
			if run == 0 {
				break
			}
			if run != 15 {
				return errCode
			}
			k += 15
			continue
		}
		k += run
		if k > 63 {
			return errBlock
		}
		if b[k], err = d.other(size); err != nil {
			return err
		}
	}
	*to = b
	return nil
}

// other decodes a coefficient of so many bits that is no average.
func (d *decoder) other(size int) (int16, error) {
	v, err := d.bits.number(size)
	if err != nil {
		return 0, err
	}
	if v <<= d.scan.low; v < -maxOther || v > maxOther {
		return 0, errSaturated
	}
	return int16(v), nil
}

// band decodes the first bits of a block's coefficients (G.1.2.2).
func (d *decoder) band(c *component, b *[64]int16) error {
	if d.run > 0 {
		d.run--
		return nil
	}
	for k := d.scan.first; k <= d.scan.last; k++ {
		code, err := d.bits.code(c.ac)
		if err != nil {
			return err
		}
		run, size := int(code>>4), int(code&0x0f)
		if size == 0 {
			if run != 15 {
				d.run, err = d.runOf(run)
				d.run--
				return err
			}
			k += 15
			continue
		}
		k += run
		if k > d.scan.last {
			return errBlock
		}
		if b[k], err = d.other(size); err != nil {
			return err
		}
	}
	return nil
}

// runOf returns of how many blocks, this one among them, the band has ended.
func (d *decoder) runOf(bits int) (int32, error) {
	more, err := d.bits.take(bits)
	return 1<<bits + more, err
}

// refine decodes one more bit of a block's coefficients (G.1.2.3): one for each
// that was not 0, and where others begin.
func (d *decoder) refine(c *component, b *[64]int16) error {
	k := d.scan.first
	for ; d.run == 0 && k <= d.scan.last; k++ {
		code, err := d.bits.code(c.ac)
		if err != nil {
			return err
		}
		run, size, begins := int(code>>4), int(code&0x0f), int16(0)
		switch {
		case size > 1:
			return errCode
		case size == 1:
			positive, err := d.bits.take(1)
			if err != nil {
				return err
			}
			begins = int16(2*positive-1) << d.scan.low
		case run != 15:
			if d.run, err = d.runOf(run); err != nil {
				return err
			}
		}
		if d.run > 0 {
			break
		}
		if k, err = d.refineUntil(b, k, run); err != nil {
			return err
		}
		if k > d.scan.last {
			return errBlock
		}
		if begins != 0 {
			b[k] = begins
		}
	}
	if d.run == 0 {
		return nil
	}
	d.run--
	_, err := d.refineUntil(b, k, 64)
	return err
}

// refineUntil refines coefficients from k on and returns where the given number
// of zeros was passed and another came, or what follows the band.
func (d *decoder) refineUntil(b *[64]int16, k, zeros int) (int, error) {
	for ; k <= d.scan.last; k++ {
		if b[k] == 0 {
			if zeros == 0 {
				return k, nil
			}
			zeros--
			continue
		}
		bit, err := d.bits.take(1)
		if err != nil {
			return k, err
		}
		if bit == 0 {
			continue
		}
		by := int16(1) << d.scan.low
		if b[k] < 0 {
			by = -by
		}
		b[k] += by
	}
	return k, nil
}
