BEGIN TRANSACTION;
CREATE TABLE alembic_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT alembic_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "alembic_version" VALUES('0001');
CREATE TABLE analyses (
	id INTEGER NOT NULL, 
	uuid VARCHAR(36) NOT NULL, 
	sample_id INTEGER NOT NULL, 
	program_version TEXT NOT NULL, 
	method_version TEXT NOT NULL, 
	analysed_on DATE NOT NULL, 
	saved_at DATETIME NOT NULL, 
	headline TEXT NOT NULL, 
	count INTEGER NOT NULL, 
	from_um DOUBLE NOT NULL, 
	median_um DOUBLE, 
	result TEXT NOT NULL, 
	details BLOB NOT NULL, 
	CONSTRAINT pk_analyses PRIMARY KEY (id), 
	CONSTRAINT uq_analyses_uuid UNIQUE (uuid), 
	CONSTRAINT fk_analyses_sample_id FOREIGN KEY(sample_id) REFERENCES samples (id)
);
INSERT INTO "analyses" VALUES(1,'682460d2-c040-4b48-a31e-8f4d5ab00155',1,'0.1.0','1','2026-05-12','2026-11-25 15:33:35.947726','Many pieces are bigger than the 150 µm (0.006 in) screen stops. First: find where the debris comes from.',4,60.0,1.1657409909500614731e+02,'{"schema": 1, "program_version": "0.1.0", "method_version": "1", "analysed_on": "2026-05-12", "photos": [{"file": "photo_5_4.png", "sha256": "5eeeec63c9fb8a6277440691b48a12c0b659b37fafd512955c24574e994e0cc0", "width_px": 400, "height_px": 300, "taken_at": "2026-05-12T09:41:00", "scale": {"source": "card", "um_per_px": 30.0, "um_per_px_rel_u": 0.003, "tilt_deg": 4.2, "card_number": 3, "frame": "wide", "print_measured": null}, "limits": {"blur_fwhm_um": 69.0, "smallest_seen_um": 48.0, "smallest_sized_um": 60.0, "smallest_seen_faint_um": 90.0, "smallest_sized_faint_um": 126.0}, "check": {"usable": true, "problems": [{"code": "uneven_light", "message": "One side is a third darker.", "remedy": "Turn the card to the window.", "fatal": false}]}, "spread": null, "use": "measured", "note": null}], "particles": [{"id": 1, "photo": 0, "x_mm": 5.18724, "y_mm": 1.63523, "x_px": 172.908, "y_px": 54.5078, "ecd_um": 343.989, "ecd_u_um": 8.87978, "feret_max_um": 378.62, "feret_min_um": 335.058, "area_um2": 92935.0, "perimeter_um": 1201.28, "hull_area_um2": 99160.6, "length_um": 378.62, "width_um": 335.058, "passing_size_um": 335.058, "passing_below_um": null, "kind": "rust", "kind_confidence": 0.690465, "below_sizing_limit": false, "touches_edge": false, "flags": []}, {"id": 2, "photo": 0, "x_mm": 1.99297, "y_mm": 7.64481, "x_px": 66.4323, "y_px": 254.827, "ecd_um": 147.252, "ecd_u_um": 4.94505, "feret_max_um": 149.937, "feret_min_um": 142.289, "area_um2": 17030.0, "perimeter_um": 486.307, "hull_area_um2": 17485.9, "length_um": 149.937, "width_um": 142.289, "passing_size_um": 142.289, "passing_below_um": null, "kind": "rust", "kind_confidence": 0.659652, "below_sizing_limit": false, "touches_edge": false, "flags": []}, {"id": 3, "photo": 0, "x_mm": 2.03891, "y_mm": 3.76522, "x_px": 67.9635, "y_px": 125.507, "ecd_um": 85.8957, "ecd_u_um": 3.71791, "feret_max_um": 85.1024, "feret_min_um": 82.1793, "area_um2": 5794.73, "perimeter_um": 275.618, "hull_area_um2": 5811.32, "length_um": 85.1024, "width_um": 82.1793, "passing_size_um": 82.1793, "passing_below_um": null, "kind": "grit", "kind_confidence": 0.928642, "below_sizing_limit": false, "touches_edge": false, "flags": []}, {"id": 4, "photo": 0, "x_mm": 7.35304, "y_mm": 2.82741, "x_px": 245.101, "y_px": 94.2471, "ecd_um": 67.8126, "ecd_u_um": 3.35625, "feret_max_um": 80.9395, "feret_min_um": 62.3835, "area_um2": 3611.69, "perimeter_um": 239.427, "hull_area_um2": 3848.23, "length_um": 80.9395, "width_um": 62.3835, "passing_size_um": 62.3835, "passing_below_um": null, "kind": "unsure", "kind_confidence": 0.607383, "below_sizing_limit": false, "touches_edge": false, "flags": []}], "sizes": {"count": 4, "seen_unsized": 0, "from_um": 60.0, "by_count": {"d10_um": null, "d50_um": 116.574, "d90_um": null}, "by_area": {"d10_um": null, "d50_um": null, "d90_um": null}, "by_volume": {"d10_um": null, "d50_um": null, "d90_um": null}, "count_low": 1.08987, "count_high": 10.2416}, "passing": [{"rating_um": 150.0, "element": "screen", "measurable": true, "from_um": 60.0, "stopped_count": 1, "through_count": 3, "by_count": {"share": 0.75, "low": 0.177476, "high": 1.0, "few_pieces_decide": false}, "by_area": {"share": 0.221464, "low": null, "high": null, "few_pieces_decide": true}, "by_volume": {"share": 0.0922903, "low": null, "high": null, "few_pieces_decide": true}, "band": {"low": 0.75, "high": 0.75, "meaning": "woven cloth (ASTM E11-17): average opening from 143 um, single ones to 193 um; flakes pass cornerwise to 212 um, fibres end-on"}, "finest_um": null}, {"rating_um": 75.0, "element": "screen", "measurable": true, "from_um": 60.0, "stopped_count": 3, "through_count": 1, "by_count": {"share": 0.25, "low": 0.0, "high": 0.85061, "few_pieces_decide": false}, "by_area": {"share": 0.0302559, "low": null, "high": null, "few_pieces_decide": true}, "by_volume": {"share": 0.00695414, "low": null, "high": null, "few_pieces_decide": true}, "band": {"low": 0.25, "high": 0.5, "meaning": "woven cloth (ASTM E11-17): average opening from 71 um, single ones to 104 um; flakes pass cornerwise to 106 um, fibres end-on"}, "finest_um": null}, {"rating_um": 30.0, "element": "paper", "measurable": false, "from_um": 60.0, "stopped_count": 4, "through_count": 0, "by_count": {"share": null, "low": 0.0, "high": 0.602365, "few_pieces_decide": false}, "by_area": {"share": null, "low": 0.0, "high": 1.0, "few_pieces_decide": false}, "by_volume": {"share": null, "low": 0.0, "high": 1.0, "few_pieces_decide": false}, "band": {"low": null, "high": null, "meaning": "the rating lies below what this photo can size"}, "finest_um": null}, {"rating_um": 25.0, "element": "paper", "measurable": false, "from_um": 60.0, "stopped_count": 4, "through_count": 0, "by_count": {"share": null, "low": 0.0, "high": 0.602365, "few_pieces_decide": false}, "by_area": {"share": null, "low": 0.0, "high": 1.0, "few_pieces_decide": false}, "by_volume": {"share": null, "low": 0.0, "high": 1.0, "few_pieces_decide": false}, "band": {"low": null, "high": null, "meaning": "the rating lies below what this photo can size"}, "finest_um": null}, {"rating_um": 15.0, "element": "paper", "measurable": false, "from_um": 60.0, "stopped_count": 4, "through_count": 0, "by_count": {"share": null, "low": 0.0, "high": 0.602365, "few_pieces_decide": false}, "by_area": {"share": null, "low": 0.0, "high": 1.0, "few_pieces_decide": false}, "by_volume": {"share": null, "low": 0.0, "high": 1.0, "few_pieces_decide": false}, "band": {"low": null, "high": null, "meaning": "the rating lies below what this photo can size"}, "finest_um": null}, {"rating_um": 11.0, "element": "paper", "measurable": false, "from_um": 60.0, "stopped_count": 4, "through_count": 0, "by_count": {"share": null, "low": 0.0, "high": 0.602365, "few_pieces_decide": false}, "by_area": {"share": null, "low": 0.0, "high": 1.0, "few_pieces_decide": false}, "by_volume": {"share": null, "low": 0.0, "high": 1.0, "few_pieces_decide": false}, "band": {"low": null, "high": null, "meaning": "the rating lies below what this photo can size"}, "finest_um": 7.0}, {"rating_um": 10.0, "element": "paper", "measurable": false, "from_um": 60.0, "stopped_count": 4, "through_count": 0, "by_count": {"share": null, "low": 0.0, "high": 0.602365, "few_pieces_decide": false}, "by_area": {"share": null, "low": 0.0, "high": 1.0, "few_pieces_decide": false}, "by_volume": {"share": null, "low": 0.0, "high": 1.0, "few_pieces_decide": false}, "band": {"low": null, "high": null, "meaning": "the rating lies below what this photo can size"}, "finest_um": null}], "blank": {"count": 2, "exposure_cm2": 61.0, "ok": true}, "advice": {"headline": "Many pieces are bigger than the 150 µm (0.006 in) screen stops. First: find where the debris comes from.", "actions": [{"code": "check_cap_and_can", "text": "Find where the debris comes from before changing anything else: filler cap and its vent, the strainer in the filler neck, the fuel can and funnel, the inside of the tank, the hose.", "because": ["20 pieces look like sand or grit.", "Nothing in the picture says that the source is gone."], "filter_um": null, "confidence": "", "would_change": "", "cautions": []}, {"code": "clean_tank", "text": "Take the tank off or empty it, rinse it until the rinse comes out clear, look inside with a lamp that is safe near fuel vapour, and let it dry in the open air. Then fit a new filter.", "because": ["More than 25 pieces over 75 um.", "Half the pieces look like rust; try a magnet."], "filter_um": null, "confidence": "", "would_change": "", "cautions": []}, {"code": "finer", "text": "Once the source is dealt with, fit the finer filter named here, of at least the same size.", "because": ["Of the pieces over 60 um the installed 150 um screen lets most through."], "filter_um": 75.0, "confidence": "", "would_change": "", "cautions": []}], "cautions": ["A photo cannot see water, stale fuel or gum: look for them before closing up.", "On gravity feed a finer filter is a proposal until the flow has been tested.", "This is a photo check, not a laboratory test."], "bench_tests": []}, "sample": {"origin": "filter", "method": "tipped", "fraction": 0.5, "installed_um": 150.0, "element": "screen", "feed": "gravity", "fuel": "petrol", "fuel_age_months": null, "noticed": ["none"], "volume_ml": null, "hours": 120.0, "months": 7.0, "litres": null, "machine": null, "head_mm": null, "power_kw": null, "flow_test_ml_min": null, "flow_test_um": null}, "went_past": null, "orifices": null, "amount": null, "standards": null}',X'789CED584D93DB380EFD2B5D3A6B5424F8DD7F622F73EB9A72A96DBAAD8A2CBB24399DEC54FEFB3E8094ED6C66F7347BDBA4BA93478020F0008214FF6CAEA7CB7A599AD7B73F9BE330E6E6B58CECDCCE76D7E9A3699BE5D493F310B88C3F7B6FF6E9F81E7B4F2158AB7CD2EF36F69AF6EADDBBF46EC2B13F1E9CA6E4DC9EAC0B36A764B3DAEF156C7D0E87F5B4BB7E6B5EAD526D73CAC3C769156C18AFFD973CEDFA158B9122FF9B72BF69FA5DA557AB5F15CF5FF63DFBF867B35C6EF39EBDDDF7F30182DB7977CD73B5D4A9A781DD9CC7DDAD79C5A832586218D7DD217FC0838E5A99BE9B6EE7F73C6366DB1CE7FECC66E16886D9EB3C4CEBEE9CFBE536E743F33ADDC6F147DB8CC3795817F6E37DBCCDBBE3E7E9BCBB9D9B579F78E9E5DC8F635ED6DD92110D8FDBF8F3F8F0CF7C2813D4AF138E3DAFC9D2A4FE62DA43ACC9770ADEDC96FE9D5959E75B66972F40E792D2FDE5C0D1DCA6FC159647661B519DF3B2F41F2CF8C7945F1684FA322C2FFDCB7A1AE6C3CBA19FBFE4B983DE9CCFF9F01D6ABFDFE609D2FCC274BDAC17F9FFE7301D2E9FAC77ECD77E6C5E8FFDB8E41F7F70965922C9787BB31C8481A77FB46F46E2E504096056C8DB82884160112C2CD739F7956F0E907DBD67A16DA6CBCA230D2F76EDE775D883204EC780396FBAA5D6B496655CCA1851ADFCC5C8B7DD19CCBDB94EC74056A76062F0C919D7EA2E254A3EFA6082F2CAD9D8C2251393B25129AB9D32A90D9D714699103093BCF30493DF8B49DD79E3C818174CD2F86D09DADE6272748A8A7E6BBAE01D91F13A38678286AB5DA460B5D53E19AD61C08B97C29D0ED42515957721B998A2B5ADF79D3544316982274EFBD6872E7963933136681F5268B1EB3AAD34C113B284409D7829269DED9C0A21C222564FDAB684A148E04029D1A7163359C93A0412B183B16D12360BCC838D1014641116F3BED4F09BB1A64BF008CBC3A24EC9B4DA868E1CD968131178F6D446D7C5E460837C80119FD8F388B53C19C4AD544C9BD1623676114E46582713C9B6B64BD6299B3C1361A331CCA60E8801CC1AE7AC361E430606D17EAC37CA2ACD8E1EF39CB189FB6FD5DD103B8FF6E2C8AB84DFE26EEA92F1A0C5A7904C6067B522833142543EB8362A68249B145281F4BA87DD61AA768DEB948B1423279F69875DEA801345657422B01DA983CB484DC44AA42CF2479D8986AB0BF462F1C4A67B943FAC12CCA228D930B994503B21B61A09C136D1A85A52DA2B6D5A64D37601992494914ADE62C369146404D1308E7A1187D11087735ED116C5618DE9704FF11ED05CB2BAB5D1774605ED34DB473D604BBA0ED58A9C69D4ADB3AE052D9DC54E057F10C027DE69276CD4DDB3D7099E750EDB091C274C81DB964B0061801B54018AD9453809EFC0314A2A12F64744AB24241CB1622FF15E18F3F48133E3EF4D5D3987FEF6B45DFB6519A60FE9D4FF3BEBEF79447715F3D21F7FFE05C52FE8BF1036F36DE1765FFFF99807FEE73671176DAADA6E7F998E3800263E4CDF5487F2B11E7B0787BBE3926B31E49277DA59F882AEE33102D73D372C921612022B7115A100D147B0FF6380F9E226A8609FE5C4C40A7246B4BFFC86FA7AB9ED4F79D9E5039F4CFF45F138F61FCB4F4DFD53AE11D28355FBF40311C25BE77E592538683F7E6403F72BB86063FF2EFDBB7E70B2FDDFF2C332EF67CED5841BC85FA664ECDF77FD7F94BCFF850417A0CB6D1D87A9E4118766E8B0A7F8A0D38844606C1DB661A8D0310AB622F410E73B9704A2F96874D3CE850A754097EAB8678872F0AD4B1DF72581CA322C533DEBA2E7E9A2EB3A1248822C3AA6088B5D834D25B04871CA6B862A55A89340419AFD4D1D1FB9400A87A8B8902AE42E8AAE5A118E6A4012FF70190D1C4BA08AD0CD01AB30762171E03156A8850601B8E50829E2006E1CDE3063C654A8DD835DEF706D6A1D02DA84E09A702E6F53A18B9B95AE762932AC2E0499AA6A2AD8236268367FD1070115D5D89019F4FA682A4C8E614895241F441A2B83464C29F3E017509BCABE957555ACB9C12D8AE7DA0AE115A08D358F2932D4F1917386B4958F48ADA9F5E2C4B2B61572BDE86DDD28EB7276B7B98199D35B71F18968982BE037FE9448E572C6B301D17A0969A0828C00295B20941EC3C4C482489EE871012BC85981B642A48FA1D43472801B056D1B00D006819E0AA48244E8615F60D405E2C2C03085022DFB144AF05C095A2089D431150C25BB80967E92165D21CA73C8C53015E8CB3ADE15688BD48402A904A02AD485A650A12ACC585FA116A8AB29F5C4B0E5D4D256D96CC908A40A857FE4C73C7981BA0F4F3E9A52081C41813558591555180B242B30F84A4514E86C252A0834954655A4527F1BC9803503E981427198AAC36153B53595DE97550B8A240EAAAA9B4A34B2C7F9BBAC06F75431A6D214B939302FCAD6F20A85A65A5EF14E622D63A8CB1785AE851B05FA5AB956504C4F425F1AA11439238AB5C88BD0DA025591BA58D7F5024B3E704D2CCA61DB0382AAAAA1826A00DA16182B15C550BA6F8F27544431DC0916583944C397252BDFBAACE26BAAD055C4FB9AC758948DAB892C0E5255F6C52555A5EE9925CF8D9161A8CA563F117C87E627DD2A738C6CDD58585550D85C2A42EF8BFF8A04BA1AACB08FB2AF4C485601B75A2BD2523FE0A9CC25F344A2AD9DA1326C6B749177ACC09A1C760ADB2CDDAB4B843557C2D36629F26128CBD68A282E858AC25338A9A4C3D6A4A7B2A8ABF59FF870119AEA5C49A5E33DC8458C8F490E30D5226708B700A514058AD4DFA16628FB85A111A9EC7E86D426574A9C117A03A0F6021DB73E86A9429C9FA9F47C463F017CED3E6B9298D5B1C2623508E2B59F16B19C6986A6C26005EA0A7D713056288B2A5B91094FB1F0AB80C06DAA2E8153854A6071C2F0890DE4FC064928DC9079E2D788C3B6DBCC2ACC34E59C91550CC3B8B984DB1260D8162551DE421555EB36E41952AAD08AAADE667252E9B14C300CE39D4312681F0453D991C2BE1856F7DC4459475758D6B177181F1E3ABE14B0FB9B5D47129CD9A048AB138EAF480CB7654598A89612B36F1E7566847D141A5FBBDFC77EFAC24F64FBCB6DC2E710B54DFE76BDF0B7E06ECF9FEC9E3F9A9ACB97F28E885BF5D29FAFE5B1F5320F1FC3D4BCF20BF19A6779415C4F177C6336EB70BDCA93DC71EEF7EB7099F8A1D5B5CD302D2B3F5B962722EDE425338FF99C79F166D9CF394F3C2DF3B32ABE4DFBAFC3FA9D076E79E447E8BCCE97B1E25DFF9177677CC99D96ED4970BAACC33ECB57EE7499E473F6EB65BC9DA1376E3AA7CB6D5EF8995416DFE60706E3B0CA775F513CF7FB13BE1FEEF3727F9037BD02AF97CF3CEFBE7C6EF8C89FB52B3FC89E477EFDF975FC76BEBF145FE70B623BEFBEE67911761ADC0E3B75A7F049A031D84FFDF87D016B32F278036F7EFC0BA8D1C630');
CREATE TABLE comparisons (
	id INTEGER NOT NULL, 
	uuid VARCHAR(36) NOT NULL, 
	before_id INTEGER NOT NULL, 
	after_id INTEGER NOT NULL, 
	program_version TEXT NOT NULL, 
	verdict TEXT NOT NULL, 
	made_at DATETIME NOT NULL, 
	result TEXT NOT NULL, 
	CONSTRAINT pk_comparisons PRIMARY KEY (id), 
	CONSTRAINT uq_comparisons_uuid UNIQUE (uuid), 
	CONSTRAINT fk_comparisons_before_id FOREIGN KEY(before_id) REFERENCES analyses (id), 
	CONSTRAINT fk_comparisons_after_id FOREIGN KEY(after_id) REFERENCES analyses (id)
);
INSERT INTO "comparisons" VALUES(1,'dd6ad085-7473-4f58-a273-7498c3ce71a1',1,1,'0.1.0','no_difference_shown','2026-11-25 15:33:36.009915','{"verdict": "no_difference_shown"}');
CREATE TABLE corrections (
	id INTEGER NOT NULL, 
	uuid VARCHAR(36) NOT NULL, 
	analysis_id INTEGER NOT NULL, 
	particle INTEGER NOT NULL, 
	action VARCHAR(10) NOT NULL, 
	kind TEXT, 
	who TEXT NOT NULL, 
	made_at DATETIME NOT NULL, 
	CONSTRAINT pk_corrections PRIMARY KEY (id), 
	CONSTRAINT uq_corrections_uuid UNIQUE (uuid), 
	CONSTRAINT fk_corrections_analysis_id FOREIGN KEY(analysis_id) REFERENCES analyses (id), 
	CONSTRAINT ck_corrections_ck_corrections_action CHECK (action IN ('kind', 'reject', 'restore')), 
	CONSTRAINT ck_corrections_ck_corrections_kind CHECK ((action = 'kind') = (kind IS NOT NULL))
);
INSERT INTO "corrections" VALUES(1,'600731fe-21ec-409b-b806-a49095060c66',1,1,'reject',NULL,'AB','2026-11-25 15:33:35.993936');
CREATE TABLE machines (
	id INTEGER NOT NULL, 
	uuid VARCHAR(36) NOT NULL, 
	unit TEXT NOT NULL, 
	unit_key VARCHAR(400) NOT NULL, 
	serial TEXT, 
	type TEXT, 
	engine TEXT, 
	cylinders INTEGER, 
	power_kw DOUBLE, 
	head_mm DOUBLE, 
	feed TEXT, 
	fuel TEXT, 
	tank TEXT, 
	hose TEXT, 
	filter TEXT, 
	installed_um DOUBLE, 
	element TEXT, 
	notes TEXT, 
	added_at DATETIME NOT NULL, 
	CONSTRAINT pk_machines PRIMARY KEY (id), 
	CONSTRAINT uq_machines_uuid UNIQUE (uuid), 
	CONSTRAINT uq_machines_unit_key UNIQUE (unit_key)
);
INSERT INTO "machines" VALUES(1,'050358e0-a986-4a5a-b515-393721e2459b','PW-07','pw-07',NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,'2026-11-25 15:33:35.918486');
CREATE TABLE photos (
	id INTEGER NOT NULL, 
	sha256 VARCHAR(64) NOT NULL, 
	stored_sha256 VARCHAR(64) NOT NULL, 
	bytes INTEGER NOT NULL, 
	added_at DATETIME NOT NULL, 
	CONSTRAINT pk_photos PRIMARY KEY (id), 
	CONSTRAINT uq_photos_sha256 UNIQUE (sha256)
);
INSERT INTO "photos" VALUES(1,'5eeeec63c9fb8a6277440691b48a12c0b659b37fafd512955c24574e994e0cc0','5eeeec63c9fb8a6277440691b48a12c0b659b37fafd512955c24574e994e0cc0',103459,'2026-11-25 15:33:35.926967');
CREATE TABLE sample_photos (
	sample_id INTEGER NOT NULL, 
	position INTEGER NOT NULL, 
	photo_id INTEGER NOT NULL, 
	role VARCHAR(10) NOT NULL, 
	file TEXT NOT NULL, 
	CONSTRAINT pk_sample_photos PRIMARY KEY (sample_id, position), 
	CONSTRAINT fk_sample_photos_sample_id FOREIGN KEY(sample_id) REFERENCES samples (id), 
	CONSTRAINT fk_sample_photos_photo_id FOREIGN KEY(photo_id) REFERENCES photos (id), 
	CONSTRAINT ck_sample_photos_ck_sample_photos_role CHECK (role IN ('debris', 'blank'))
);
INSERT INTO "sample_photos" VALUES(1,0,1,'debris','photo_5_4.png');
CREATE TABLE samples (
	id INTEGER NOT NULL, 
	uuid VARCHAR(36) NOT NULL, 
	machine_id INTEGER, 
	visit_id INTEGER, 
	saved_at DATETIME NOT NULL, 
	CONSTRAINT pk_samples PRIMARY KEY (id), 
	CONSTRAINT uq_samples_uuid UNIQUE (uuid), 
	CONSTRAINT fk_samples_machine_id FOREIGN KEY(machine_id) REFERENCES machines (id), 
	CONSTRAINT fk_samples_visit_id FOREIGN KEY(visit_id, machine_id) REFERENCES visits (id, machine_id), 
	CONSTRAINT ck_samples_ck_samples_machine_of_visit CHECK (visit_id IS NULL OR machine_id IS NOT NULL)
);
INSERT INTO "samples" VALUES(1,'501dae02-dc55-4c28-87f0-9e2af0ae5290',1,NULL,'2026-11-25 15:33:35.943402');
CREATE TABLE visits (
	id INTEGER NOT NULL, 
	uuid VARCHAR(36) NOT NULL, 
	machine_id INTEGER NOT NULL, 
	visited_on DATE NOT NULL, 
	work_order TEXT, 
	complaint TEXT, 
	hours DOUBLE, 
	months DOUBLE, 
	litres DOUBLE, 
	fuel_age_months DOUBLE, 
	noticed TEXT, 
	parts TEXT, 
	technician TEXT, 
	next_due TEXT, 
	notes TEXT, 
	added_at DATETIME NOT NULL, 
	CONSTRAINT pk_visits PRIMARY KEY (id), 
	CONSTRAINT uq_visits_uuid UNIQUE (uuid), 
	CONSTRAINT uq_visits_id UNIQUE (id, machine_id), 
	CONSTRAINT fk_visits_machine_id FOREIGN KEY(machine_id) REFERENCES machines (id)
);
INSERT INTO "visits" VALUES(1,'f0f370ab-c20f-436e-9301-90b7b9310815',1,'2026-05-01','WO 1',NULL,NULL,NULL,NULL,NULL,'water',NULL,NULL,NULL,NULL,'2026-11-25 15:33:35.971929');
CREATE INDEX ix_visits_machine_id ON visits (machine_id);
CREATE INDEX ix_samples_machine_id ON samples (machine_id);
CREATE INDEX ix_samples_visit_id ON samples (visit_id);
CREATE INDEX ix_sample_photos_photo_id ON sample_photos (photo_id);
CREATE INDEX ix_analyses_sample_id ON analyses (sample_id);
CREATE INDEX ix_corrections_analysis_id ON corrections (analysis_id);
CREATE INDEX ix_comparisons_before_id ON comparisons (before_id);
CREATE INDEX ix_comparisons_after_id ON comparisons (after_id);
CREATE TRIGGER analyses_no_update BEFORE update ON analyses BEGIN SELECT RAISE(ABORT, 'analyses are only ever added'); END;
CREATE TRIGGER analyses_no_delete BEFORE delete ON analyses BEGIN SELECT RAISE(ABORT, 'analyses are only ever added'); END;
CREATE TRIGGER corrections_no_update BEFORE update ON corrections BEGIN SELECT RAISE(ABORT, 'corrections are only ever added'); END;
CREATE TRIGGER corrections_no_delete BEFORE delete ON corrections BEGIN SELECT RAISE(ABORT, 'corrections are only ever added'); END;
COMMIT;
