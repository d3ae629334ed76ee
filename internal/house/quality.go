package house

// A Quality says in measured numbers how well a face can be judged; package
// quality measures it, and says how. It is of the still as it was examined,
// even where a smaller one has taken its place. A number that could not be
// measured is 0.
type Quality struct {
	// FaceWidth is the width of the face's box, in pixels of the still.
	FaceWidth int `json:"face_width_px"`
	// EyeDistance is from the centre of one eye to that of the other, in
	// pixels of the still; 0 if the eyes could not be made out, and then
	// nothing below is measured.
	EyeDistance float64 `json:"eye_distance_px"`
	// PixelsPerMetre is how many pixels of the still make a metre at the face.
	PixelsPerMetre float64 `json:"pixels_per_metre"`
	// Sharpness is how much fine detail there is: the variance of the luma's
	// Laplacian over that of the luma, on the face scaled to one size; less
	// where one direction has less. It has no unit; 0 is a smooth gradient.
	Sharpness float64 `json:"sharpness"`
	// Luma is the mean luma of the face, 0 (black) to 255 (white).
	Luma float64 `json:"luma"`
	// Clipped is the share of the face that is nearly black or nearly white, 0 to 1.
	Clipped float64 `json:"clipped_share"`
	// Contrast is the standard deviation of the luma over 255, 0 to 0.5.
	Contrast float64 `json:"contrast"`
	// Yaw is how far the face is turned aside, in degrees, -90 to 90; positive
	// to the right of the picture.
	Yaw float64 `json:"yaw_deg"`
	// Roll is how far the face is tilted, in degrees, -90 to 90; positive
	// clockwise on the picture.
	Roll float64 `json:"roll_deg"`
	// Occlusion is a weak hint that an eye, the nose or the mouth is covered,
	// 0 (none) to 1.
	Occlusion float64 `json:"occlusion_hint"`
	// Cut is the share of the face that lies beyond the still's border, 0 to 1.
	Cut float64 `json:"cut_share"`
}
